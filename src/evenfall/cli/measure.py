"""`evenfall measure`: readings in, a measurement out."""

from __future__ import annotations

from pathlib import Path

import click

from evenfall.cli.door import (
    derived_name,
    json_option,
    path_argument,
    path_option,
    show_findings,
    show_json,
    shown_unit,
    unit_option,
)


@click.command(name="measure")
@path_argument("files", nargs=-1, help="Hand sheets of one instrument, CSV or XLSX.")
@path_option("--spec", help="Specification that the readings are of.")
@path_option("--template", help="Write an empty sheet for this specification instead.")
@click.option("--serial", default="", help="What the instrument is called on its label.")
@path_option(
    "-o", "--output", help="File to write; by default named after the input, in this folder."
)
@json_option
@unit_option
def command(
    *,
    files: tuple[Path, ...],
    spec: Path | None,
    template: Path | None,
    serial: str,
    output: Path | None,
    as_json: bool,
    unit: str | None,
) -> None:
    """Read FILES, say what was found and what is missing, write a measurement.

    With --template SPEC an empty sheet for that instrument is written, ready to fill: XLSX with
    drop-down lists by default, CSV if the output is named so.
    """
    from evenfall import workshop
    from evenfall.files import keep_apart

    if template is not None:
        if files:
            raise click.UsageError("--template writes an empty sheet; name no readings with it.")
        from evenfall.errors import RequestError
        from evenfall.intake import write_template

        specification, _ = workshop.check_specification(template)
        stem = template.name.removesuffix(".toml").removesuffix(".spec")
        empty = output or Path(f"{stem}.readings.xlsx")
        if empty.exists():
            raise RequestError(
                "This file is there already and may hold readings; name another with -o, or "
                "remove it first.",
                where=empty.name,
            )
        write_template(specification, empty)
        if as_json:
            show_json({"file": str(empty)})
        else:
            click.echo(f"Wrote the empty sheet {empty}")
        return
    if not files:
        raise click.UsageError("Name at least one file with readings.")
    if spec is None:
        raise click.UsageError("Name the specification with --spec.")
    path = None if as_json and output is None else output or derived_name(files[0], "measurement")
    if path is not None:
        keep_apart([path], [*files, spec])
    measurement, findings = workshop.measure(files, spec, serial=serial)
    values = {**measurement.as_dict(), "findings": [f.as_dict() for f in findings]}
    if path is not None:
        workshop.write_json(path, measurement.as_dict())
    if as_json:
        show_json(values)
        return
    from evenfall.cli.reports import show_measurement

    show_measurement(measurement, shown_unit(unit, workshop.check_specification(spec)[0].unit))
    show_findings(findings)
    click.echo(f"Wrote {path}")
