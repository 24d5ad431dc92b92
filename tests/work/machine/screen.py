#!/usr/bin/python3
"""Stands in for a machine's screen: homes it, runs one program, writes down where it was.

It runs under the system's Python, as a process of its own, in tests only; the package knows
nothing of it. When it ends, the simulated machine ends.
"""

import json
import os
import subprocess
import time

import linuxcnc

stat, command, errors = linuxcnc.stat(), linuxcnc.command(), linuxcnc.error_channel()
LONGEST_S = 3000.0
QUIET_S = 200.0


def said():
    """Return what the machine has said since."""
    found = []
    while True:
        one = errors.poll()
        if not one:
            return found
        found.append(one[1])


def wait(ready, seconds):
    """Say whether something came true in time."""
    start = time.monotonic()
    while time.monotonic() - start < seconds:
        stat.poll()
        if ready():
            return True
        time.sleep(0.002)
    return False


def connected():
    """Wait until the machine answers."""
    for _ in range(400):
        try:
            stat.poll()
        except linuxcnc.error:
            pass
        else:
            if stat.task_state:
                return
        time.sleep(0.05)
    raise RuntimeError("no machine")


def run(result):
    """Home, load, start, and write down every place until the program says that it is done."""
    connected()
    command.state(linuxcnc.STATE_ESTOP_RESET)
    command.wait_complete()
    command.state(linuxcnc.STATE_ON)
    command.wait_complete()
    command.mode(linuxcnc.MODE_MANUAL)
    command.wait_complete()
    command.teleop_enable(0)
    command.wait_complete()
    for joint in range(3):
        command.home(joint)
    if not wait(lambda: all(stat.homed[:3]), 60):
        raise RuntimeError("not homed")
    # a program that cannot be opened leaves the one before it loaded, and that would run
    path = os.path.abspath("program.ngc")
    said()
    command.mode(linuxcnc.MODE_AUTO)
    command.wait_complete()
    command.program_open(path)
    command.wait_complete()
    wait(lambda: stat.file == path, 2)
    wrong = said()
    if stat.file != path or wrong:
        raise RuntimeError(f"not loaded: {wrong}")
    with open("places.txt", "w") as places:
        sampler = subprocess.Popen(["halsampler", "-t"], stdout=places)
    time.sleep(0.5)
    command.auto(linuxcnc.AUTO_RUN, 0)
    begun = busy = time.monotonic()
    while time.monotonic() - begun < LONGEST_S:
        stat.poll()
        result["messages"] += said()
        done = any("end of program" in one for one in result["messages"])
        idle = stat.interp_state == linuxcnc.INTERP_IDLE and stat.inpos
        if not idle:
            busy = time.monotonic()
        # a refused run looks idle, and so does one that a loaded computer has not begun yet
        if idle and (done or time.monotonic() - busy > QUIET_S):
            break
    time.sleep(0.5)
    sampler.terminate()
    sampler.wait()
    with open("places.txt") as places:
        for line in places:
            count, *here = line.split()
            if count == "overrun" or len(here) != 3:
                continue
            point = [float(value) for value in here]
            if not result["points"] or point != result["points"][-1]:
                result["points"].append(point)


outcome = {"points": [], "messages": [], "refused": ""}
try:
    run(outcome)
    time.sleep(0.3)
    outcome["messages"] += said()
except Exception as error:
    outcome["refused"] = str(error)
with open("result.json", "w") as file:
    json.dump(outcome, file)
