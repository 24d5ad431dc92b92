"""`evenfall quality lot`, `lot-measured` and `lot-plan`: lots of a partner are judged."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from evenfall.cli.desk import address_option, by_option, on_option
from evenfall.cli.door import Number, json_option, path_option, show_in_order, show_json
from evenfall.cli.neck_options import source_of
from evenfall.cli.readings_options import Asked, level_option, readings_options
from evenfall.cli.results import Result, result_options
from evenfall.errors import Progress

if TYPE_CHECKING:
    from pathlib import Path

    from evenfall.cli.reports import Lengths
    from evenfall.workshop.lot_reports import KeptLotOutcome
    from evenfall.workshop.lots import LotOutcome
    from evenfall.workshop.measured_lots import MeasuredLotOutcome

_NEEDS_ARCHIVE = (
    "Name the archive, the supplier and the model: only a lot that is kept there has a sample of "
    "instruments or of a size, a receiver, a person, a day, a reason and a report, or is skipped."
)


class _Kept(NamedTuple):
    """Where a lot is kept, and what is said of it."""

    address: str
    supplier: str
    model: str
    receiver: str
    name: str
    sample: tuple[int, ...]
    instruments: tuple[str, ...]
    skipped: bool
    one_in: int | None
    new_agreement: str
    reason: str
    report: Path | None
    person: str
    done: str

    @property
    def in_archive(self) -> bool:
        """Whether the lot belongs into an archive."""
        return bool(self.address and self.supplier and self.model)

    @property
    def only_kept(self) -> bool:
        """Whether something is asked that only a lot in an archive has."""
        texts = (self.receiver, self.new_agreement, self.reason, self.person, self.done)
        return any((*texts, self.sample, self.instruments, self.skipped, self.report, self.one_in))

    def judged(self, result: Result, pieces: int, found: tuple[int, ...], **agreed: Any) -> int:
        """Judge a lot and keep it, or say which sample it needs; return the exit status."""
        from evenfall import workshop
        from evenfall.workshop.lot_reports import lot_report

        with workshop.archive(self.address, make=True) as dossiers:
            own = self._asdict()
            del own["address"], own["report"]

            def step(_request: None, _progress: Progress) -> KeptLotOutcome:
                asked = workshop.JudgeRequest(pieces=pieces, found=found, **own, **agreed)
                return dossiers.judge(asked) if asked.inspected else dossiers.next_sample(asked)

            def files(made: KeptLotOutcome, _progress: object) -> dict[Path, bytes]:
                if self.report is None or made.lot is None:
                    return {}
                kind = "html" if self.report.suffix == ".html" else "pdf"
                return {self.report: lot_report(made.lots, made.lot, kind, unit=made.unit)}

            made = result.of(step, None, _show, files=files, outputs=[self.report])
        return 1 if made.decision == "not accepted" else 0


def _kept_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options of a lot that is kept; the command gets them as one `kept`."""

    @click.option("--supplier", default="", help="Supplier of the lots.")
    @click.option("--model", default="", help="Model of the pieces.")
    @click.option("--receiver", default="", help="Who receives them, if that is not you.")
    @click.option("--name", default="", help="Name of the lot.")
    @click.option(
        "--sample",
        multiple=True,
        type=click.IntRange(1),
        help="Pieces of the sample that was taken; again for each further stage. Where another "
        "sample is asked for by now, nothing is filed.",
    )
    @click.option(
        "--instrument",
        "instruments",
        multiple=True,
        metavar="NUMBER",
        help="Instrument of the sample, proved in the archive; repeatable.",
    )
    @click.option(
        "--skipped",
        is_flag=True,
        help="Accept without inspection a lot of a qualified supplier that was not drawn.",
    )
    @click.option(
        "--one-in",
        type=click.IntRange(1, 5),
        default=None,
        help="For a new agreement: of a qualified supplier's lots inspect one in so many "
        "(default: every one).",
    )
    @click.option(
        "--new-agreement",
        default="",
        metavar="REASON",
        help="Start the count again under the agreement given here; REASON says why.",
    )
    @click.option("--reason", default="", help="Anything else that the decision rests on.")
    @path_option("--report", help="PDF or HTML file for the report of the lot.")
    @by_option
    @on_option
    @wraps(command)
    def gathered(**given: Any) -> Any:
        own = {"address": "", **{n: given.pop(n) for n in _Kept._fields if n in given}}
        return command(kept=_Kept(**own), **given)

    return gathered


_aql_option = click.option(
    "--aql",
    "aql_percent",
    type=Number(),
    default=None,
    help="Acceptance quality limit that was agreed [% nonconforming] (default: that of earlier "
    "lots, or 1).",
)
_level_option = click.option(
    "--level",
    type=click.Choice(["I", "II", "III", "S-1", "S-2", "S-3", "S-4"]),
    default=None,
    help="Inspection level (default: that of earlier lots, or II).",
)


@click.command()
@click.option("--pieces", type=click.IntRange(2), required=True, help="Pieces in the lot.")
@_aql_option
@_level_option
@click.option(
    "--sort",
    type=click.Choice(["single", "double", "multiple"]),
    default=None,
    help="Samples of one lot: one, up to two or up to seven (default: that of earlier lots, or "
    "single).",
)
@click.option(
    "--found",
    multiple=True,
    type=click.IntRange(0),
    help="Nonconforming pieces in the sample; again for each further stage.",
)
@address_option("Archive that keeps the lots of this supplier and model")
@_kept_options
@path_option(
    "--record",
    help="File that keeps the lots of this supplier and model, and so the state of inspection, "
    "instead of an archive; made if it is not there. Its agreement holds.",
)
@result_options
def lot(
    *,
    kept: _Kept,
    pieces: int,
    aql_percent: float | None,
    level: str | None,
    sort: str | None,
    found: tuple[int, ...],
    record: Path | None,
    result: Result,
) -> int:
    """Show which sample to take from a lot and, with --found, whether the lot is accepted.

    Normal, tightened and reduced inspection follow each other by the lots of this --supplier and
    --model, kept in --archive or in a file, --record. With --archive the sample may be given by its
    instruments instead: their proofs say how many do not conform. Exit status 1 if the lot is not
    accepted, or another stage is needed.
    """
    from evenfall import workshop

    if kept.in_archive and record is None:
        return kept.judged(result, pieces, found, method=sort, aql_percent=aql_percent, level=level)
    if kept.only_kept:
        raise click.UsageError(_NEEDS_ARCHIVE)
    there = record is not None and record.exists()
    request = workshop.LotRequest(
        pieces,
        aql_percent,
        level,
        sort,  # type: ignore[arg-type]
        found,
        kept.name,
        source_of(record) if there else None,
        kept.supplier,
        kept.model,
    )

    def files(made: LotOutcome, _progress: object) -> dict[Path, bytes]:
        kept = record is not None and made.decision is not None
        return {record: made.record.file()} if kept and record is not None else {}

    made = result.of(workshop.lot, request, _show, files=files)
    return 1 if made.decision == "not accepted" else 0


def _show(made: LotOutcome | MeasuredLotOutcome | KeptLotOutcome, lengths: Lengths) -> None:
    show_in_order(made.findings, lengths.unit)


@click.command(name="lot-plan")
@click.option("--good", "good_percent", type=Number(), required=True, help="Quality to accept [%].")
@click.option("--bad", "bad_percent", type=Number(), required=True, help="Quality to refuse [%].")
@click.option(
    "--good-accepted",
    "producer_probability",
    type=Number(0.0, 1.0),
    default=0.95,
    help="Least probability that a lot of the good quality is accepted (default: 0.95).",
)
@click.option(
    "--bad-accepted",
    "consumer_probability",
    type=Number(0.0, 1.0),
    default=0.10,
    help="Greatest probability that a lot of the bad quality is accepted (default: 0.10).",
)
@click.option(
    "--method",
    type=click.Choice(["attributes", "s", "sigma"]),
    default="attributes",
    help="attributes: pieces are sorted; s and sigma: they are measured, and the standard "
    "deviation is that of the sample, or known.",
)
@json_option
def lot_plan(*, method: str, as_json: bool, **risks: Any) -> None:
    """Find the smallest sampling plan that keeps to the producer's and the consumer's risk."""
    from evenfall import workshop
    from evenfall.codec import plain
    from evenfall.production.sampling import Plan
    from evenfall.workshop.lots import plan_findings

    plan = workshop.plan_for_risks(workshop.RisksRequest(method=method, **risks))
    if as_json:
        show_json({"schema": "evenfall/lot-plan@0", "plan": plain(plan)})
    elif isinstance(plan, Plan):
        show_in_order(plan_findings(plan), "mm")
    else:
        click.echo(
            f"Measure {plan.size_count} pieces. Accept if the mean stays {plan.k_factor:.3f} "
            f"standard deviations inside the limit."
        )


@click.command(name="lot-measured")
@readings_options
@click.option(
    "--pieces",
    type=click.IntRange(3),
    default=None,
    help="Pieces in the lot (default: all read).",
)
@level_option("--lower", "lower_level", help="Lower limit [mm, or the unit of the readings].")
@level_option("--upper", "upper_level", help="Upper limit [mm, or the unit of the readings].")
@_aql_option
@_level_option
@click.option("--tightened", is_flag=True, help="Judge by the next smaller limit.")
@level_option(
    "--sigma",
    "sigma_level",
    low_level=0.0,
    help="Standard deviation of what is made, where it is known [mm, or the unit of the readings].",
)
@_kept_options
@result_options
def lot_measured(
    *,
    asked: Asked,
    kept: _Kept,
    pieces: int | None,
    tightened: bool,
    result: Result,
    **agreed: Any,
) -> int:
    """Decide by READINGS of a sample whether its lot is accepted.

    The share beyond the limits is estimated from mean and standard deviation, so fewer pieces are
    needed than where they are sorted. With --archive, --supplier and --model the sample is named by
    its --instruments, whose proofs hold the quantity, and the lot is kept. Exit status 1 if the lot
    is not accepted.
    """
    from evenfall import workshop
    from evenfall.workshop.archive_readings import Filed

    kept = kept._replace(address=str(click.get_current_context().params["address"]))
    if kept.in_archive and isinstance(asked.source, Filed):
        if pieces is None or tightened:
            raise click.UsageError(
                "A lot that is kept needs --pieces; whether it is tightened follows from the lots "
                "before it."
            )
        levels = {name: agreed.pop(f"{name}_level") for name in ("lower", "upper", "sigma")}
        agreed |= {f"{name}_mm": level for name, level in levels.items()}
        return kept.judged(result, pieces, (), quantity=asked.quantity, **agreed)
    if kept.only_kept:
        raise click.UsageError(_NEEDS_ARCHIVE)
    agreed = {name: value for name, value in agreed.items() if value is not None}
    request = workshop.MeasuredLotRequest(*asked, pieces=pieces or 0, tightened=tightened, **agreed)
    made = result.of(workshop.measured_lot, request, _show)
    return 1 if made.made.decision == "not accepted" else 0
