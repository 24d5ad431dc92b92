"""Programs made for tests: varied instruments, machines and cutters, without files."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cache

from evenfall.wording import sentence
from evenfall.work.cautions import machine_cautions
from evenfall.work.crown_lines import Lie, workpiece
from evenfall.work.cut_check import cut_faults, lift_findings, stated_lift_mm
from evenfall.work.descriptions import read_description
from evenfall.work.emit import Header, emit
from evenfall.work.part_lines import CUTS, cuts_of, with_parts
from evenfall.work.part_paths import part_passes
from evenfall.work.program_check import Setting, program_faults
from evenfall.work.program_warnings import program_warnings
from evenfall.work.simulation import patches_of, simulate
from evenfall.work.toolpath import fret_cutter, fret_passes
from evenfall.work.trace import trace
from evenfall.workshop import Source
from work.made_plans import made_plan, specification_text


@cache
def described(name):
    return read_description(Source.invented(name).text(), source=name)


MM, INCH = "yard", "row"
UNTOUCHED = []


def untouched(piece):
    """Return what a program finds; the last pieces' are kept, for many programs cut one piece."""
    for one, patches in UNTOUCHED:
        if one is piece:
            return patches
    del UNTOUCHED[2:]
    UNTOUCHED.insert(0, (piece, patches_of(piece)))
    return UNTOUCHED[0][1]


@dataclass(frozen=True)
class Job:
    """One instrument, its plan, and the machine that cuts it."""

    specification: object
    plan: object
    piece: object
    machine: object
    cutters: object
    fixture: object
    cutter: int | None = None
    lift_mm: float = 0.0
    parts: object = None
    last: dict = field(default_factory=dict, init=False, repr=False, compare=False)

    @property
    def setting(self):
        by_number = {one.number: one for one in self.cutters}
        return Setting(
            self.machine,
            by_number,
            self.fixture,
            "nickel silver",
            self.plan.code,
            "a.ngc",
            self.parts,
        )

    def passes(self):
        with_, by = (self.piece, self.cutters, self.machine), "nickel silver"
        made = ()
        if any(one.is_cut for one in self.piece.crowns):
            made = fret_passes(self.piece, fret_cutter(*with_, by, self.cutter), self.machine, by)
        return (*made, *part_passes(*with_, by))

    def program(self):
        header = Header(
            instrument=f"{self.specification.name}, {self.plan.measurement.serial}",
            plan_code=self.plan.code,
            state=self.piece.state,
            material="nickel silver",
            heights=self.piece.said,
            places_mm=((sentence("crown of fret 1, string 1"), *self.piece.crown_point(1, 1)),),
            cautions=tuple(
                (one.topic, one.sentence)
                for one in machine_cautions(
                    self.setting.materials, strung=self.piece.state == "strung"
                )
            ),
            safe_z_mm=self.piece.top_mm + self.machine.safe_height_mm,
            lift_mm=self.lift_mm,
            cuts=cuts_of(self.piece),
        )
        return emit(self.passes(), header, self.machine, self.fixture)

    def cut(self, text):
        """Return the moves of a program and what it leaves; those of the last one are kept."""
        if text not in self.last:
            traced = trace(text, source="a.ngc")
            made = traced, self.simulated(traced)
            self.last.clear()
            self.last[text] = made
        return self.last[text]

    def simulated(self, traced):
        return simulate(untouched(self.piece), traced, self.setting.cutters)

    def faults(self, text):
        """Return everything that is wrong with a program."""
        traced, patches = self.cut(text)
        found = list(program_faults(traced, self.piece, self.setting))
        lifted = stated_lift_mm(traced) is not None
        found += [
            one
            for one in lift_findings(traced, self.piece, self.setting, self.simulated)
            if one.severity == "error"
        ]
        return found + list(cut_faults(patches, self.piece, self.setting, lifted=lifted))

    def warnings(self, text):
        """Return what to see to before a program is run."""
        return list(program_warnings(trace(text), self.piece, self.setting))


def text_of(strings=6, frets=22, *, unit="mm", fanned=False, left=False, radius=None, scale=None):
    """Return a specification with what a job asks for."""
    text = specification_text(strings, frets, unit=unit)
    per = 25.4 if unit == "in" else 1.0
    head, _, rest = text.partition("[scale]\n")
    length, _, rest = rest.partition("\n")
    if fanned:
        length = f"bass = {686.0 / per!r}\ntreble = {648.0 / per!r}\nsquare_fret = 7"
    elif scale:
        length = f"length = {scale / per!r}"
    if left:
        head = head.replace("[model]\n", '[model]\nhanded = "left"\n')
    text = f"{head}[scale]\n{length}\n{rest}"
    if radius is not None:
        lines = text.splitlines()
        lines = [
            f"{line.split(' =')[0]} = {radius / per!r}" if line.startswith("radius_") else line
            for line in lines
        ]
        text = "\n".join(lines) + "\n"
    return text


def made_job(
    seed=1,
    *,
    machine=MM,
    cutter=None,
    state="strung",
    lie=None,
    lift_mm=0.0,
    strings=6,
    frets=22,
    fixture=False,
    most=4,
    parts="",
    cuts=CUTS,
    **instrument,
):
    """Return a job of an invented instrument; of the frets to cut, the last `most`."""
    unit = "mm" if machine == MM else "in"
    spec, plan = made_plan(
        strings,
        frets,
        seed=seed,
        unit=unit,
        text=text_of(strings, frets, unit=unit, **instrument),
        need_mm=0.12,
    )
    described_parts = read_description(parts) if parts else None
    piece = with_parts(workpiece(spec, plan, state=state), spec, plan, described_parts, cuts=cuts)
    piece = piece.placed(lie or Lie())
    cut = [crown.fret for crown in piece.crowns if crown.is_cut][-most:]
    crowns = tuple(
        crown if crown.fret in cut else replace(crown, removal_mm=0.0 * crown.removal_mm)
        for crown in piece.crowns
    )
    piece = replace(piece, crowns=crowns)
    return Job(
        spec,
        plan,
        piece,
        described(f"{machine}.machine.toml"),
        described("yard.cutters.toml"),
        described(f"{machine}.fixture.toml") if fixture else None,
        cutter,
        lift_mm,
        described_parts,
    )


def parts_text(*, stock=0.6, spacing="equal gaps", material="bone", round_mm=2.0):
    """Return a description of nut, saddle and fret ends."""
    return f"""schema = "evenfall/parts@1"
[parts]
name = "made for a test"
[nut]
material = "{material}"
spacing = "{spacing}"
thickness = 5.0
stock = {stock}
[saddle]
material = "{material}"
thickness = 3.2
round = {round_mm}
over_bridge = 3.0
stock = {stock}
[fret_ends]
"""


#: Kinds of instruments, by name: four to twelve strings, flat and round boards, fans, either hand.
KINDS = {
    "guitar": {},
    "left-handed guitar": {"left": True},
    "fanned guitar": {"fanned": True},
    "left-handed fan": {"fanned": True, "left": True},
    "seven strings": {"strings": 7, "frets": 24},
    "fanned eight": {"strings": 8, "frets": 24, "fanned": True},
    "bass": {"strings": 4, "frets": 20, "scale": 864.0},
    "ukulele": {"strings": 4, "frets": 15, "scale": 380.0, "radius": 0},
    "flat board": {"radius": 0},
    "round board": {"radius": 184.0, "frets": 21},
}


def varied_jobs():
    """Yield twenty jobs by name: every kind on both machines, wheels where they can.

    Half of them cut nut, saddle and fret ends too.
    """
    for number, (kind, instrument) in enumerate(KINDS.items()):
        fanned = bool(instrument.get("fanned"))
        for machine, turn in ((MM, number % 2), (INCH, 1 - number % 2)):
            # only the mm machine turns wheels, and a wheel takes square frets only
            wheel = machine == MM and not fanned and turn == 0
            yield (
                f"{kind}, {machine}, {'wheel' if wheel else 'ball'} {turn}",
                {
                    "seed": 7 * number + turn,
                    "machine": machine,
                    "cutter": 1 if wheel else 2,
                    "state": ("strung", "unstrung")[turn],
                    "parts": parts_text() if turn else "",
                    "most": 2,
                    **instrument,
                },
            )


def heights_at_crossings(job, patches):
    """Yield what each patch leaves at its crossings, with the crown's line."""
    import numpy as np

    for patch in patches:
        if patch.part is not None:
            continue
        crown = job.piece.crowns[patch.fret - 1]
        at = np.searchsorted(patch.at_mm, crown.at_mm)
        yield crown, patch, patch.height_mm[at].max(axis=1)


def lowered(job, mm):
    """Return a job whose program is lifted."""
    return replace(job, lift_mm=mm)
