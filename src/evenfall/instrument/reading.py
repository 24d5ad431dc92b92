"""From the text of a specification file to a `Specification`, or to every fault in it at once.

The format is TOML, `schema = "evenfall/spec@1"`; docs/reference/specification.md lists the keys.
"""

from __future__ import annotations

import math
import tomllib
from typing import Any, get_args

from evenfall.errors import Finding, SpecificationError
from evenfall.instrument.geometry import string_scale_mm
from evenfall.instrument.specification import (
    MATERIALS,
    MODULUS_U_SHARE,
    Board,
    CompensationLimits,
    DecisionRule,
    Fretwire,
    Grain,
    InstrumentString,
    Limit,
    NeckBuild,
    Player,
    Rule,
    Scale,
    Specification,
    Target,
)
from evenfall.instrument.taking import Taking, kind_of, line_numbers, shown
from evenfall.instrument.wood import WOODS
from evenfall.units import mm_per_unit, pitch_frequency_hz

SCHEMA = "evenfall/spec@1"

MOST_FRETS = 36
"""Number of frets that is supported."""


def read_specification(text: str, *, source: str = "") -> tuple[Specification, tuple[Finding, ...]]:
    """Return the specification in `text` and what is unusual about it.

    Parameters
    ----------
    text
        The whole TOML file.
    source
        Name of the file, for messages.

    Raises
    ------
    SpecificationError
        With every fault found, each with its line where the file gives one.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        reason = str(error).rstrip(".")
        reason = reason[:1].lower() + reason[1:200]
        raise _not_toml(f"This is not valid TOML: {reason}; mend that line.", source) from None
    except ValueError:  # Python converts no integer of thousands of digits
        sentence = "A whole number in the file has too many digits; write it shorter."
        raise _not_toml(sentence, source) from None
    except RecursionError:
        sentence = (
            "Tables or lists are nested too deeply; a specification needs two levels at most."
        )
        raise _not_toml(sentence, source) from None
    reading = _Reading(document, line_numbers(text))
    specification = reading.specification(text)
    if reading.faults or specification is None:
        raise SpecificationError(reading.faults, where=source)
    return specification, tuple(reading.remarks)


def _not_toml(sentence: str, source: str) -> SpecificationError:
    return SpecificationError(
        [Finding("spec-value", sentence, "the file as a whole", "error")], where=source
    )


class _Reading(Taking):
    """The parts of a specification, each taken with what it needs from those before."""

    # ---- the parts ----------------------------------------------------------------------

    def specification(self, text: str) -> Specification | None:
        self.unknown("", self.document)
        schema = self.document.get("schema")
        if schema is None:
            self.fault(f'schema must be "{SCHEMA}"; let the first line say so.', "")
        elif schema != SCHEMA:
            self.fault(f'schema must be "{SCHEMA}", not {shown(schema)}.', "", "schema")
        model = self.table("model")
        self.unknown("model", model)
        name = self.text("model", model, "name", None)
        kind = self.text("model", model, "kind", "fretted instrument")
        unit = self.choice("model", model, "units", ("mm", "in"), "mm")
        self.unit_mm = mm_per_unit(unit)
        frets = self.integer("model", model, "frets", low=5, high=MOST_FRETS)
        frets = frets or MOST_FRETS  # one fault is enough: what names a fret is not blamed for it
        scale = self.scale(frets)
        board = self.board(frets)
        fretwire = self.fretwire()
        strings = self.strings(scale)
        target = self.target(len(strings), frets)
        player = self.player(len(strings), scale)
        rule = self.rule()
        compensation = self.compensation(frets)
        neck = self.neck()
        self.other_unit(unit)
        if self.faults:
            return None
        self.unusual(strings, player)
        return Specification(
            name=name,
            kind=kind,
            unit="in" if unit == "in" else "mm",
            frets=frets,
            scale=scale,
            board=board,
            fretwire=fretwire,
            strings=strings,
            target=target,
            player=player,
            rule=rule,
            text=text,
            compensation=compensation,
            neck=neck,
        )

    def scale(self, frets: int) -> Scale:
        values = self.table("scale")
        self.unknown("scale", values)
        reference = self.integer(
            "scale", values, "reference_fret", low=1, high=max(frets, 1), default=12
        )
        if frets and reference > frets:
            self.fault(
                f"reference_fret is {reference}, but there are {frets} frets; name one of them.",
                "scale",
                "reference_fret",
            )
        if "length" in values:
            if "bass" in values or "treble" in values:
                self.fault("Give either length, or bass and treble, not both.", "scale", "length")
            length = self.length("scale", values, "length", 200.0, 1500.0)
            if "square_fret" in values:
                self.remark(
                    "square_fret has no meaning with straight frets.",
                    "scale",
                    "square_fret",
                )
            return Scale(length, length, 0.0, reference)
        if "bass" not in values and "treble" not in values:
            self.fault("length is missing; add it (or bass and treble for fanned frets).", "scale")
            return Scale(math.nan, math.nan, 0.0, reference)
        treble = self.length("scale", values, "treble", 200.0, 1500.0)
        bass = self.length("scale", values, "bass", 200.0, 1500.0)
        if "square_fret" not in values:
            self.fault("square_fret is missing; fanned frets need it.", "scale")
            square = 0.0
        else:
            square = self.number(
                "scale",
                "square_fret",
                values["square_fret"],
                low=0.0,
                high=float(max(frets, 1)),
            )
        if treble > 1.25 * bass or bass > 1.25 * treble:
            self.fault(
                "bass and treble differ by more than a quarter; check them.", "scale", "bass"
            )
        return Scale(treble, bass, square, reference)

    def board(self, frets: int) -> Board:
        values = self.table("board")
        self.unknown("board", values)
        radii = []
        for key in ("radius_nut", "radius_last"):
            given = values.get(key)
            if given == 0 and not isinstance(given, bool):
                radii.append(math.inf)  # 0 is how a flat board is written
            else:
                flat = ", or 0 for a flat board"
                radii.append(self.length("board", values, key, 50.0, 1e5, also=flat))
        spread_nut = self.length("board", values, "string_spread_nut", 5.0, 200.0)
        spread_saddle = self.length("board", values, "string_spread_saddle", 5.0, 300.0)
        width_nut = self.length("board", values, "width_nut", 10.0, 250.0)
        width_last = self.length("board", values, "width_last", 10.0, 300.0)
        if spread_nut > width_nut:
            self.fault(
                "string_spread_nut is wider than the board (width_nut).",
                "board",
                "string_spread_nut",
            )
        for radius, width, key in (
            (radii[0], width_nut, "radius_nut"),
            (radii[1], width_last, "radius_last"),
        ):
            if width > 2.0 * radius:
                self.fault(f"{key} is less than half the board's width.", "board", key)
        joint: float = frets
        if "joint_fret" in values:
            joint = self.number(
                "board", "joint_fret", values["joint_fret"], low=3.0, high=float(max(frets, 3))
            )
        return Board(radii[0], radii[1], width_nut, width_last, spread_nut, spread_saddle, joint)

    def fretwire(self) -> Fretwire:
        values = self.table("fretwire")
        self.unknown("fretwire", values)
        height = self.length("fretwire", values, "crown_height", 0.3, 3.0)
        width = self.length("fretwire", values, "crown_width", 0.5, 6.0)
        least = self.length("fretwire", values, "least_crown_height", 0.0, 3.0)
        if least >= height:
            self.fault(
                "least_crown_height must be less than crown_height.",
                "fretwire",
                "least_crown_height",
            )
        return Fretwire(height, width, least)

    def strings(self, scale: Scale) -> tuple[InstrumentString, ...]:
        entries = self.document.get("string")
        if entries is None:
            self.fault("There is no [[string]]; add one for each string, 1 = treble.", "string")
            return ()
        if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
            self.fault("Write each string as its own [[string]] table.", "string")
            return ()
        if not 3 <= len(entries) <= 12:
            self.fault(f"The number of strings is {len(entries)}; 3 to 12 are supported.", "string")
            return ()
        made: dict[int, InstrumentString] = {}
        for index, values in enumerate(entries):
            self.unknown("string", values, index)
            number = values.get("number")
            if isinstance(number, bool) or not isinstance(number, int):
                self.fault("number must be a whole number, 1 = treble.", "string", "number", index)
                continue
            if not 1 <= number <= len(entries):
                self.fault(
                    f"number = {shown(number)}, but there are {len(entries)} strings; number them "
                    f"1 (treble) to {len(entries)}.",
                    "string",
                    "number",
                    index,
                )
                continue
            if number in made:
                self.fault(f"String {number} is there twice.", "string", "number", index)
                continue
            made[number] = self.string(values, index, number, len(entries), scale)
        missing = [str(n) for n in range(1, len(entries) + 1) if n not in made]
        if missing and not any(f.where.find("number") >= 0 for f in self.faults):
            self.fault(f"String {', '.join(missing)} is missing.", "string")
        return tuple(made[n] for n in sorted(made))

    def string(
        self, values: dict[str, Any], index: int, number: int, count: int, scale: Scale
    ) -> InstrumentString:
        frequency, pitch = self.frequency(values, index)
        gauge = self.length("string", values, "gauge", 0.1, 6.0, index=index)
        material = self.choice("string", values, "material", tuple(MATERIALS), "steel")
        density, modulus = MATERIALS[material]
        uncertainty = MODULUS_U_SHARE[material]
        if "modulus" in values:
            gigapascals = self.number(
                "string",
                "modulus",
                values["modulus"],
                low=0.5,
                high=400.0,
                index=index,
                unit="GPa",
            )
            modulus, uncertainty = 1000.0 * gigapascals, 0.0
        wound = "core" in values
        core = gauge
        if wound:
            core = self.length("string", values, "core", 0.05, 6.0, index=index)
            if core >= gauge:
                self.fault("core must be thinner than gauge.", "string", "core", index)
        if "mass_per_length" in values:
            grams = self.number(
                "string",
                "mass_per_length",
                values["mass_per_length"],
                low=0.02,
                high=200.0,
                index=index,
                unit="g/m",
            )
            linear_density = grams / 1000.0
        elif wound:
            self.fault(
                "mass_per_length is missing; a wound string needs it, in g/m.",
                "string",
                "",
                index,
            )
            linear_density = math.nan
        else:
            linear_density = density * math.pi / 4.0 * (gauge / 1000.0) ** 2
        setback = self.length(
            "string", values, "saddle_setback", -10.0, 30.0, index=index, default=0
        )
        nut_setback = self.length(
            "string", values, "nut_setback", -5.0, 5.0, index=index, default=0
        )
        return InstrumentString(
            number=number,
            frequency_hz=frequency,
            pitch=pitch,
            gauge_mm=gauge,
            core_mm=core,
            linear_density_kg_per_m=linear_density,
            modulus_n_per_mm2=modulus,
            wound=wound,
            scale_mm=string_scale_mm(scale.treble_mm, scale.bass_mm, number - 1, count),
            saddle_setback_mm=setback,
            nut_setback_mm=nut_setback,
            modulus_u_share=uncertainty,
        )

    def frequency(self, values: dict[str, Any], index: int) -> tuple[float, str]:
        if ("pitch" in values) == ("frequency" in values):
            self.fault("Give either pitch or frequency.", "string", "pitch", index)
            return math.nan, ""
        if "frequency" in values:
            hertz = self.number(
                "string",
                "frequency",
                values["frequency"],
                low=15.0,
                high=2000.0,
                index=index,
                unit="Hz",
            )
            return hertz, ""
        pitch = values["pitch"]
        if not isinstance(pitch, str):
            self.fault(
                f'pitch must be a text such as "E4", not {kind_of(pitch)}.',
                "string",
                "pitch",
                index,
            )
            return math.nan, ""
        try:
            hertz = pitch_frequency_hz(pitch)
        except ValueError as error:
            sentence = f"{error}." if len(pitch) <= 40 else f"{shown(pitch)} is no pitch name."
            self.fault(sentence, "string", "pitch", index)
            return math.nan, pitch
        if not 15.0 <= hertz <= 2000.0:
            self.fault(f"pitch {pitch} is out of range: C1 to B6.", "string", "pitch", index)
        return hertz, pitch

    def target(self, count: int, frets: int) -> Target:
        values = self.table("target")
        self.unknown("target", values)
        action = self.per_string(values, "action", count, 0.1, 10.0)
        first = self.per_string(values, "first_fret_gap", count, 0.02, 4.0)
        relief = self.limit(values, "relief", -0.5, 2.0)
        saddle = self.travel(values, "saddle_travel", {"down": 0.0, "up": 0.0})
        nut = self.travel(values, "nut_travel", {"down": 0.0, "up": 0.0})
        bounds: dict[str, float | None] = {"across": None, "along": None}
        for key in bounds:
            if key in values:
                bounds[key] = self.length("target", values, key, 1e-4, 2.0)
        fall = None
        if "fall_away_from" in values:
            fall = self.integer("target", values, "fall_away_from", low=1, high=max(frets, 1))
        return Target(
            action=action,
            first_fret_gap=first,
            relief=relief,
            saddle_down_mm=saddle["down"],
            saddle_up_mm=saddle["up"],
            nut_down_mm=nut["down"],
            nut_up_mm=nut["up"],
            across_mm=bounds["across"],
            along_mm=bounds["along"],
            fall_away_from_fret=fall,
        )

    def inner(
        self, values: dict[str, Any], key: str, known: tuple[str, ...], name: str = "target"
    ) -> dict[str, Any] | None:
        """Return the inline table `key`, its keys checked; None (and a fault) if it is not one."""
        value = values.get(key)
        if value is None:
            self.fault(f"{key} is missing; add it.", name)
            return None
        if not isinstance(value, dict):
            self.fault(
                f"{key} must be a table such as {{ {known[0]} = … }}, not {kind_of(value)}.",
                name,
                key,
            )
            return None
        for extra in value:
            if extra not in known:
                self.faults.append(
                    Finding(
                        "spec-unknown",
                        f"{key} has no part {shown(extra)}; it may have {', '.join(known)}.",
                        self._where(name, key),
                        "error",
                    )
                )
        return value

    def per_string(
        self, values: dict[str, Any], key: str, count: int, low: float, high: float
    ) -> tuple[Limit, ...]:
        known = ("treble", "bass", "value", "each", "tolerance")
        table = self.inner(values, key, known)
        if table is None or count == 0:
            return ()
        tolerance = self.length("target", table, "tolerance", 0.0, 5.0, path=f"{key}.tolerance")
        forms = [{"treble", "bass"} & set(table), {"value"} & set(table), {"each"} & set(table)]
        if sum(map(bool, forms)) != 1:
            self.fault(f"{key} needs treble and bass, or value, or each (a list).", "target", key)
            return ()
        wanted: list[float]
        if "each" in table:
            given = table["each"]
            if not isinstance(given, list) or len(given) != count:
                self.fault(f"{key}.each must list {count} numbers, string 1 first.", "target", key)
                return ()
            wanted = [
                self.number("target", key, v, low=low, high=high, scale=self.unit_mm) for v in given
            ]
        elif "value" in table:
            wanted = [self.length("target", table, "value", low, high, path=key)] * count
        else:
            treble = self.length("target", table, "treble", low, high, path=key)
            bass = self.length("target", table, "bass", low, high, path=key)
            step = (bass - treble) / max(count - 1, 1)
            wanted = [treble + step * index for index in range(count)]
        if min(wanted) - tolerance < 0.0:
            self.fault(f"{key} less its tolerance is below zero.", "target", key)
        return tuple(Limit(v, v - tolerance, v + tolerance) for v in wanted)

    def limit(self, values: dict[str, Any], key: str, low: float, high: float) -> Limit:
        table = self.inner(values, key, ("value", "minimum", "maximum"))
        if table is None:
            return Limit(math.nan, math.nan, math.nan)
        least = self.length("target", table, "minimum", low, high, path=f"{key}.minimum")
        most = self.length("target", table, "maximum", low, high, path=f"{key}.maximum")
        value = self.length("target", table, "value", low, high, path=f"{key}.value")
        if not least <= value <= most and not any(map(math.isnan, (least, value, most))):
            self.fault(f"{key} must have minimum <= value <= maximum.", "target", key)
        return Limit(value, least, most)

    def travel(
        self, values: dict[str, Any], key: str, defaults: dict[str, float], name: str = "target"
    ) -> dict[str, float]:
        if key not in values:
            return defaults
        table = self.inner(values, key, tuple(defaults), name)
        if table is None:
            return defaults
        return {
            method: self.length(name, table, method, 0.0, 20.0, path=f"{key}.{method}", default=0.0)
            for method in defaults
        }

    def player(self, count: int, scale: Scale) -> Player:
        values = self.table("player")
        self.unknown("player", values)
        attack = values.get("attack")
        forces: list[float] = []
        if attack is None:
            self.fault("attack is missing; give newtons per string, or one number.", "player")
        elif isinstance(attack, list):
            if len(attack) != count and count:
                self.fault(
                    f"attack lists {len(attack)} numbers for {count} strings.", "player", "attack"
                )
            forces = [
                self.number("player", "attack", v, low=0.0, high=50.0, unit="N") for v in attack
            ]
        else:
            forces = [self.number("player", "attack", attack, low=0.0, high=50.0, unit="N")] * max(
                count, 1
            )
        shortest = min(scale.treble_mm, scale.bass_mm)
        distance = self.length("player", values, "pluck_distance", 1.0, 1000.0)
        if distance >= shortest:
            self.fault("pluck_distance is longer than the strings.", "player", "pluck_distance")
        width = self.length("player", values, "pluck_width", 0.0, 20.0, default=2.0)
        return Player(tuple(forces), distance, width)

    def rule(self) -> Rule:
        values = self.table("rule", needed=False)
        self.unknown("rule", values)
        extra = self.length("rule", values, "extra_clearance", 0.0, 1.0, default=0.0)
        allowance = self.length("rule", values, "working_allowance", 0.0, 1.0, default=0.0)
        coverage = 0.95
        if "coverage" in values:
            coverage = self.number("rule", "coverage", values["coverage"], low=0.5, high=0.9999)
        choices: tuple[DecisionRule, ...] = get_args(DecisionRule)
        decision = self.choice("rule", values, "decision", choices, "guard band")
        kind: DecisionRule = "probability" if decision == "probability" else "guard band"
        return Rule(extra, allowance, coverage, kind)

    def compensation(self, frets: int) -> CompensationLimits:
        values = self.table("compensation", needed=False)
        self.unknown("compensation", values)
        free = {"forward": math.inf, "back": math.inf}
        saddle = self.travel(values, "saddle_along", free, "compensation")
        nut = self.travel(values, "nut_along", free, "compensation")
        kind = self.choice("compensation", values, "saddle", ("each", "straight"), "each")
        return CompensationLimits(
            straight_saddle=kind == "straight",
            saddle_forward_mm=saddle["forward"],
            saddle_back_mm=saddle["back"],
            nut_forward_mm=nut["forward"],
            nut_back_mm=nut["back"],
            finger_mm=self.length("compensation", values, "finger", 0.0, 30.0, default=0.0),
            last_fret=self.integer(
                "compensation",
                values,
                "last_fret",
                low=2,
                high=max(frets, 2),
                default=min(12, max(frets, 2)),
            ),
        )

    def neck(self) -> NeckBuild:
        values = self.table("neck", needed=False)
        self.unknown("neck", values)
        lengths: dict[str, float | None] = dict.fromkeys(
            ("depth_nut", "depth_joint", "board_thickness")
        )
        for key in lengths:
            if key in values:
                lengths[key] = self.length("neck", values, key, 1.0, 80.0)
        board = lengths["board_thickness"]
        for key in ("depth_nut", "depth_joint"):
            depth = lengths[key]
            if depth is not None and board is not None and depth <= board:
                self.fault(f"{key} must be more than board_thickness.", "neck", key)
        woods: dict[str, str | None] = {"board_wood": None, "shaft_wood": None}
        for key in woods:
            if key in values:
                woods[key] = self.choice("neck", values, key, tuple(WOODS), "maple")
        grain: Grain | None = None
        if "board_grain" in values:
            word = self.choice("neck", values, "board_grain", ("quarter", "flat"), "quarter")
            grain = "flat" if word == "flat" else "quarter"
        stiffness = None
        if "stiffness" in values:
            stiffness = 1e6 * self.number(
                "neck", "stiffness", values["stiffness"], low=1.0, high=5000.0, unit="N m²"
            )
        per_100n = per_percent = turn = None
        if "relief_per_100n" in values:
            per_100n = self.length("neck", values, "relief_per_100n", 0.001, 2.0)
        if "relief_per_moisture" in values:
            per_percent = self.length("neck", values, "relief_per_moisture", -1.0, 1.0)
        if "turn" in values:
            turn = self.length("neck", values, "turn", 0.01, 5.0)
        truss_rod = self.truth("neck", values, "truss_rod", default=True)
        if "turn" in values and not truss_rod:
            self.fault(
                "turn is of a truss rod, and truss_rod is false; remove one.", "neck", "turn"
            )
        return NeckBuild(
            depth_nut_mm=lengths["depth_nut"],
            depth_joint_mm=lengths["depth_joint"],
            board_thickness_mm=board,
            board_wood=woods["board_wood"],
            shaft_wood=woods["shaft_wood"],
            board_grain=grain,
            stiffness_n_mm2=stiffness,
            relief_mm_per_n=None if per_100n is None else per_100n / 100.0,
            relief_mm_per_percent=per_percent,
            turn_mm=turn,
            truss_rod=truss_rod,
        )

    def other_unit(self, unit: str) -> None:
        """Say first that lengths are in the other unit, where most that do not fit would then."""
        if self.misfits < 3 or 2 * self.fit_other_unit <= self.misfits:
            return
        other = "inches" if unit == "mm" else "millimetres"
        sentence = (
            f"{self.fit_other_unit} of the {self.misfits} lengths that are out of range would fit "
            f'as {other}; check units = "{unit}" first.'
        )
        where = self._where("model", "units")
        self.faults.insert(0, Finding("spec-value", sentence, where, "error"))

    def unusual(self, strings: tuple[InstrumentString, ...], player: Player) -> None:
        """Remark on what is possible but looks like a slip."""
        by_number = {s.get("number"): i for i, s in enumerate(self.document["string"])}
        for string in strings:
            index = by_number[string.number]
            if not 20.0 <= string.tension_n <= 300.0:
                self.remark(
                    f"String {string.number} would be at {string.tension_n:.0f} N; "
                    "check pitch, gauge, mass_per_length and scale.",
                    "string",
                    "pitch",
                    index,
                )
        for string, force in zip(strings, player.attack_n, strict=True):
            if force > 0.2 * string.tension_n:
                self.remark(
                    f"An attack of {force:g} N on string {string.number} is over a fifth of "
                    "its tension; the motion is no longer small.",
                    "player",
                    "attack",
                )
