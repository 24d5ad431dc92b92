"""The play test as its users meet it: verdicts, laws that must hold, sound, errors."""

from __future__ import annotations

import io
import json
import subprocess
import sys
import wave
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from math import pi, radians

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.errors import Cancelled, RequestError, UnsupportedError
from evenfall.strings.clearance import rest_clearance_mm, touch_force
from evenfall.strings.playtest import Attack, Direction, PlayTest, Settings, play
from evenfall.strings.playtest.play_test import AWAY, TOWARDS, Verdict, attack_levels
from evenfall.strings.playtest.sound import Sound, sound, wav_bytes
from evenfall.strings.recording import MOST_SAMPLES, read_recording
from strings.played_necks import Neck, neck

SHORT_S = 0.05


def played(made: Neck, **options: object) -> PlayTest:
    return play(made.specification, *made.heights_mm, excursion=made.excursion, **options)  # type: ignore[arg-type]


def every(made: Neck, force_n: float, name: str = "even") -> Attack:
    return Attack(name, (force_n,) * made.specification.string_count)


@pytest.fixture(scope="module")
def heavy() -> PlayTest:
    """Return a short electric neck under attacks from gentle to far beyond its touch force."""
    made = neck("short electric")
    return played(made, attacks=[every(made, 0.3), every(made, 0.9), every(made, 1.8)])


@pytest.fixture(scope="module")
def light() -> PlayTest:
    """Return the same neck under an attack that it bears and one that many notes do not."""
    made = neck("short electric")
    return played(made, attacks=[every(made, 0.3), every(made, 0.6)])


@pytest.mark.slow
def test_gentle_notes_are_clean_and_violent_ones_rattle(heavy: PlayTest) -> None:
    worst = heavy.worst
    assert (worst[:, :, 0] == Verdict.CLEAN).all()
    assert (worst[:, :13, 2] == Verdict.RATTLES).all()
    assert (np.diff((worst > Verdict.CLEAN).astype(int), axis=2) >= 0).all()
    assert sum(heavy.counts().values()) == worst.size


@pytest.mark.parametrize("attacks", ["light", pytest.param("heavy", marks=pytest.mark.slow)])
def test_the_touch_force_decides_what_is_clean(
    attacks: str, request: pytest.FixtureRequest
) -> None:
    """Touching begins where the excursion table says, by direction; contact finds it too."""
    found: PlayTest = request.getfixturevalue(attacks)
    assert len(set(found.verdict.flat)) == 3
    for a, attack in enumerate(found.attacks):
        ratio = np.array(attack.force_n)[:, None, None] / found.touch_force_n
        touched = found.verdict[:, :, a, :] > Verdict.CLEAN
        assert (touched == (ratio > 1.0)).all()
        assert np.isfinite(found.first_contact_s[:, :, a, :][ratio > 1.003]).all()


@pytest.mark.parametrize("attacks", ["light", pytest.param("heavy", marks=pytest.mark.slow)])
def test_what_contact_leaves_behind_is_consistent(
    attacks: str, request: pytest.FixtureRequest
) -> None:
    found: PlayTest = request.getfixturevalue(attacks)
    touched = found.verdict > Verdict.CLEAN
    total = found.impulse_n_s.sum(axis=4)
    assert (touched == (found.first_contact_fret > 0)).all()
    assert (np.isfinite(found.first_contact_s) == touched).all()
    assert (total[touched & (found.first_contact_s > 0.0)] > 0.0).all()
    assert (total[~touched] == 0.0).all()
    assert (found.largest_strike_n_s <= total * (1 + 1e-12)).all()
    assert (found.penetration_um < 1e-9).all()
    first = found.first_contact_fret[touched]
    position = np.broadcast_to(np.arange(touched.shape[1])[None, :, None, None], touched.shape)[
        touched
    ]
    assert (first > position).all()
    # A strike's spectrum is flat at low frequencies at the height of its impulse or below.
    assert (found.spectrum_n_s[..., 0] <= total * (1 + 1e-9)).all()
    rattling = found.verdict == Verdict.RATTLES
    assert (found.strikes_over_count[rattling] > 0).all()
    assert (found.strikes_over_count[~rattling] == 0).all()
    log = found.strikes
    in_notes = np.zeros(touched.shape)
    np.add.at(in_notes, tuple(log.run.T), log.impulse_n_s)
    assert (in_notes <= total * (1 + 1e-9)).all()
    assert (np.diff(log.start_s)[(np.diff(log.run, axis=0) == 0).all(axis=1)] >= 0.0).all()


@pytest.mark.slow
def test_energy_lost_to_contact_is_small_when_kissing_and_large_when_rattling(
    heavy: PlayTest,
) -> None:
    lost = heavy.energy_lost_share
    assert (lost[heavy.verdict == Verdict.CLEAN] == 0.0).all()
    assert (lost < 1.0).all()
    # contact may also keep energy away from lossy partials, the more the longer a note is followed
    assert (lost > -0.2).all()
    assert np.median(lost[:, :10, 2, 0]) > 0.4


def test_plucked_towards_the_board_a_string_bears_more(light: PlayTest) -> None:
    for force in (light.touch_force_n, light.buzz_force_n):
        assert (force[:, :10, 1] > force[:, :10, 0]).all()


@pytest.mark.slow
@draws(5)
@given(
    scale=st.floats(0.3, 3.0), offset=st.floats(-5.0, 5.0), tilt=st.floats(-0.01, 0.01)
)  # fmt: skip
def test_scale_and_datum_do_not_matter(scale: float, offset: float, tilt: float) -> None:
    """Twice the gaps under twice the force is the same note twice as large (rigid crowns)."""
    made = neck("ukulele")
    attack, twice = every(made, 0.8), every(made, 0.8 * scale)
    plain = played(made, attacks=[attack], directions=[AWAY], duration_s=SHORT_S)
    station = made.lines.station_mm
    moved = replace(
        made,
        nut_mm=scale * made.nut_mm + offset + tilt * station[:, 0],
        crown_top_mm=scale * made.crown_top_mm + offset + tilt * station[:, 1:],
        saddle_mm=scale * made.saddle_mm + offset + tilt * made.lines.saddle_station_mm,
    )
    grown = played(moved, attacks=[twice], directions=[AWAY], duration_s=SHORT_S)
    assert (grown.verdict == plain.verdict).all()
    assert (grown.first_contact_fret == plain.first_contact_fret).all()
    # Rounding grows with every contact, so impulses agree where there were few.
    few = plain.strike_count < 10
    assert grown.impulse_n_s[few].sum() == pytest.approx(
        scale * plain.impulse_n_s[few].sum(), rel=1e-3
    )


@pytest.mark.slow
def test_an_oblique_pluck_counts_by_its_part_normal_to_the_board() -> None:
    made = neck("ukulele")
    force = every(made, 1.0)
    oblique = played(made, attacks=[force], directions=[Direction("oblique", radians(30))],
                     duration_s=SHORT_S)  # fmt: skip
    upright = played(made, attacks=[every(made, 0.5)], directions=[AWAY], duration_s=SHORT_S)
    assert (oblique.verdict == upright.verdict).all()
    assert oblique.normal_attack_n == pytest.approx(upright.normal_attack_n)
    along = played(made, attacks=[force], directions=[Direction("along", 0.0)], duration_s=SHORT_S)
    assert not along.verdict.any()


@pytest.mark.slow
def test_a_string_that_lies_on_a_fret_touches_from_the_start() -> None:
    made = neck("ukulele")
    high = made.crown_top_mm.copy()
    high[1, 6] += 1.5  # string 2, fret 7 stands up
    result = play(
        made.specification,
        made.nut_mm,
        high,
        made.saddle_mm,
        excursion=made.excursion,
        attacks=[every(made, 0.6)],
        duration_s=SHORT_S,
    )
    assert (result.touch_force_n[1, 6] < 0.0).all()
    assert (result.worst[1, 6] == Verdict.RATTLES).all()
    assert (result.first_contact_s[1, 6] == 0.0).all()
    assert (result.first_contact_fret[1, 6] == 7).all()
    # Stopped beyond that fret the neck is as it was.
    before = played(made, attacks=[every(made, 0.6)], duration_s=SHORT_S)
    assert (result.worst[1, 8:] == before.worst[1, 8:]).all()


@pytest.mark.slow
def test_pressed_against_the_frets_before_release() -> None:
    made = neck("ukulele")
    result = played(made, attacks=[every(made, 12.0)], directions=[TOWARDS], duration_s=SHORT_S)
    pressed = result.first_contact_s[:, :5] == 0.0
    assert pressed.all()
    assert (result.first_contact_fret[:, :5, 0, 0] > 8).all()  # near the pluck, far from the stop


@pytest.mark.slow
def test_levels_follow_the_specification() -> None:
    made = neck("ukulele")
    levels = attack_levels(made.specification)
    assert [level.name for level in levels] == ["light", "as specified", "heavy"]
    assert levels[1].force_n == made.specification.player.attack_n
    assert played(made, duration_s=0.01).attacks == levels


def test_the_buzz_force_is_compared_with_the_rattle(light: PlayTest) -> None:
    least = (1.0 - 1e-6) * light.normal_attack_n[:, None, :]
    holds = light.buzz_force_n.min(axis=2)[:, :, None] >= least
    rattles = light.worst == Verdict.RATTLES
    assert (light.buzz_force_optimistic == (holds & rattles)).all()
    assert (light.buzz_force_conservative == (~holds & ~rattles)).all()
    assert (light.buzz_force_n >= light.touch_force_n).all()
    # of the worse direction; the other may be far shallower in its first period
    assert (light.buzz_force_n.min(axis=2) <= 1.4 * light.touch_force_n.min(axis=2)).all()


@pytest.mark.slow
def test_a_late_touch_is_waited_for() -> None:
    """However short a note is asked for, whatever touches is followed until it does."""
    made = neck("bass")
    force = touch_force(rest_clearance_mm(made.lines, *made.heights_mm), made.excursion).force_n
    attack = Attack("late", tuple(1.01 * force[:, 12]))
    result = played(made, attacks=[attack], duration_s=0.01)
    assert (result.worst[:, 12, 0] > Verdict.CLEAN).all()
    assert np.nanmin(result.first_contact_s[:, 12, 0], axis=1).max() > 0.05


def test_json_is_plain_and_complete(light: PlayTest) -> None:
    text = json.dumps(light.as_dict(), allow_nan=False)
    read = json.loads(text)
    assert read["schema"] == "evenfall/play@1"
    strings, frets = light.worst.shape[:2]
    assert len(read["strings"]) == strings
    assert [p["stopped_fret"] for p in read["strings"][0]["positions"]] == list(range(frets))
    string, stopped, way = np.argwhere(light.verdict[:, :, 1] == Verdict.RATTLES)[0]
    note = read["strings"][string]["positions"][stopped]["notes"][2 + way]
    assert note["attack"] == "even"
    assert note["direction"] == (AWAY, TOWARDS)[way].name
    assert note["verdict"] == "rattles"
    assert sum(fret["impulse_n_s"] for fret in note["impulse_by_fret"]) == pytest.approx(
        note["impulse_n_s"]
    )
    assert set(read["strings"][0]["positions"][0]["notes"][0]) == {"attack", "direction", "verdict"}


def test_progress_runs_to_the_end() -> None:
    shares: list[float] = []
    played(neck("ukulele"), duration_s=0.01, progress=lambda _, share: shares.append(share))
    assert shares[-1] == 1.0
    assert shares == sorted(shares)


@pytest.mark.slow
def test_four_plays_in_four_threads_are_as_one_after_another() -> None:
    made = neck("ukulele")

    def one(force_n: float) -> str:
        attacks = [every(made, force_n)]
        heard = played(made, attacks=attacks, directions=[AWAY], duration_s=0.02)
        return json.dumps(heard.as_dict())

    forces = [0.4, 0.6, 0.8, 1.0]
    with ThreadPoolExecutor(4) as users:
        together = list(users.map(one, forces))
    assert together == [one(force) for force in forces]
    assert len(set(together)) == len(forces)


@pytest.mark.parametrize("looks", [1, 2, 40, 60])
def test_a_play_test_ends_where_its_caller_says_stop(looks: int) -> None:
    """Thirty seconds a note take minutes; whoever stops is answered long before, at any stage."""
    shares: list[float] = []

    def stop(_: str, share: float) -> None:
        shares.append(share)
        if len(shares) == looks:
            raise Cancelled

    with pytest.raises(Cancelled):
        played(neck("ukulele"), duration_s=30.0, progress=stop)
    assert len(shares) == looks
    assert shares[-1] < 1.0


def test_a_sound_ends_where_its_caller_says_stop() -> None:
    def stop(_: str, _share: float) -> None:
        raise Cancelled

    made = neck("ukulele")
    with pytest.raises(Cancelled):
        sound(
            made.specification, *made.heights_mm, string=1, stopped_fret=0, force_n=1.0,
            direction=AWAY, duration_s=30.0, progress=stop,
        )  # fmt: skip


# ---- sound -------------------------------------------------------------------------------------


def one_sound(made: Neck, force_n: float, direction: Direction = AWAY) -> Sound:
    return sound(
        made.specification,
        *made.heights_mm,
        string=1,
        stopped_fret=3,
        force_n=force_n,
        direction=direction,
        duration_s=0.2,
    )


def test_a_clean_note_scales_with_the_force_and_a_rattling_one_does_not() -> None:
    made = neck("ukulele")
    soft, twice = one_sound(made, 0.1), one_sound(made, 0.2)
    assert twice.samples_mm_per_s == pytest.approx(2.0 * soft.samples_mm_per_s, abs=1e-9)
    hard = one_sound(made, 2.0)
    assert np.abs(hard.samples_mm_per_s - 20.0 * soft.samples_mm_per_s).max() > soft.peak_mm_per_s


def test_both_polarisations_are_heard() -> None:
    made = neck("ukulele")
    along = one_sound(made, 0.1, Direction("along", 0.0))
    away = one_sound(made, 0.1)
    assert along.samples_mm_per_s == pytest.approx(0.3 * away.samples_mm_per_s, abs=1e-9)
    both = one_sound(made, 0.1, Direction("between", pi / 4))
    expected = (1.0 + 0.3) / 2**0.5 * away.samples_mm_per_s
    assert both.samples_mm_per_s == pytest.approx(expected, abs=1e-9)


@pytest.mark.slow
def test_the_note_sounds_at_its_pitch() -> None:
    made = neck("electric")
    heard = sound(
        made.specification, *made.heights_mm,
        string=6, stopped_fret=0, force_n=0.2, direction=AWAY, duration_s=1.0,
    )  # fmt: skip
    assert heard.rate_hz == 48_000.0
    assert len(heard.samples_mm_per_s) == 48_000
    level = np.abs(np.fft.rfft(heard.samples_mm_per_s * np.hanning(48_000)))
    assert abs(int(level[60:100].argmax()) + 60 - 82.4) <= 1.0  # 1 Hz per bin
    assert (level[20_500:] < 1e-3 * level.max()).all()  # nothing folded back


def test_a_recording_of_minutes_is_refused_before_it_is_worked_on() -> None:
    made = io.BytesIO()
    with wave.open(made, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(1)
        file.setframerate(8_000)
        file.writeframes(bytes(MOST_SAMPLES + 8_000))
    with pytest.raises(UnsupportedError, match=r"751 s long, .* less than 750 s"):
        read_recording(made.getvalue(), "long.wav")


def test_wav_files_hold_the_samples() -> None:
    samples = np.array([0.0, 0.5, -0.25, 2.0, -2.0])
    data = wav_bytes(Sound(samples, 48_000.0), full_scale_mm_per_s=1.0)
    with wave.open(io.BytesIO(data)) as file:
        assert file.getparams()[:4] == (1, 2, 48_000, 5)
        read = np.frombuffer(file.readframes(5), dtype="<i2")
    assert read.tolist() == [0, 16384, -8192, 32767, -32767]
    with pytest.raises(ValueError, match="full_scale"):
        wav_bytes(Sound(samples, 48_000.0), full_scale_mm_per_s=0.0)


# ---- bad input ---------------------------------------------------------------------------------


def test_missing_heights_are_refused() -> None:
    made = neck("ukulele")
    made.crown_top_mm[0, 3] = np.nan
    with pytest.raises(RequestError, match="crown_top_mm has missing heights"):
        played(made)
    with pytest.raises(RequestError, match="shape"):
        played(replace(made, nut_mm=made.nut_mm[:2]))


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"attacks": [Attack("one", (1.0,))]}, "has 1 force, but the instrument has 4 strings"),
        ({"attacks": []}, "at least one attack"),
        ({"directions": []}, "at least one"),
        ({"duration_s": 0.0}, "up to 30 s"),
        ({"duration_s": 31.0}, "up to 30 s"),
        ({"settings": Settings(rate_hz=900.0)}, "too low"),
    ],
)
def test_a_call_that_does_not_fit_is_refused(options: dict[str, object], message: str) -> None:
    with pytest.raises(RequestError, match=message):
        played(neck("ukulele"), **options)


def test_impossible_values_are_refused() -> None:
    with pytest.raises(ValueError, match="positive"):
        Attack("none", (0.0,))
    with pytest.raises(ValueError, match="angle_rad"):
        Direction("round", 4.0)
    with pytest.raises(ValueError, match="strike_gap_s"):
        Settings(strike_gap_s=-1.0)
    made = neck("ukulele")
    heights = made.heights_mm
    with pytest.raises(RequestError, match="no string 9"):
        sound(made.specification, *heights, string=9, stopped_fret=0, force_n=1.0, direction=AWAY)


def test_without_numba_one_sentence_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "evenfall.strings.playtest.contact", raising=False)
    monkeypatch.delattr("evenfall.strings.playtest.contact", raising=False)
    monkeypatch.setitem(sys.modules, "numba", None)
    with pytest.raises(UnsupportedError, match=r"dev\.py setup installs"):
        played(neck("ukulele"))


def test_a_numba_that_does_not_load_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    class Unfit:
        def __getattr__(self, name: str) -> object:
            raise ImportError("Numba needs NumPy 9.9 or less.")

    monkeypatch.delitem(sys.modules, "evenfall.strings.playtest.contact", raising=False)
    monkeypatch.delattr("evenfall.strings.playtest.contact", raising=False)
    monkeypatch.setitem(sys.modules, "numba", Unfit())  # type: ignore[arg-type]
    with pytest.raises(UnsupportedError, match=r"does not load \(Numba needs NumPy 9.9 or less\)"):
        played(neck("ukulele"))


def test_importing_the_play_test_does_not_load_numba() -> None:
    code = "import sys, evenfall.strings.playtest.sound; print('numba' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


@pytest.mark.slow
def test_the_second_process_compiles_nothing() -> None:
    code = """
from strings.played_necks import neck
from evenfall.strings.playtest import play
from evenfall.strings.playtest import contact
made = neck("ukulele")
play(made.specification, *made.heights_mm, excursion=made.excursion, duration_s=0.01)
stats = [kernel.stats for kernel in (contact.play_run,)]
print(sum(s.cache_hits.total() for s in stats), sum(s.cache_misses.total() for s in stats))
"""
    runs = [
        subprocess.run(
            [sys.executable, "-c", f"import sys; sys.path[:0] = {sys.path!r}\n{code}"],
            capture_output=True, text=True, check=True,
        ).stdout.split()
        for _ in range(2)
    ]  # fmt: skip
    assert runs[1] == ["1", "0"]
