"""Lots in their order: how each was inspected, what was decided, and where that led."""

from __future__ import annotations

from collections.abc import Sequence

from evenfall.pictures.chart import Chart, Drawing
from evenfall.pictures.inks import INK, LIGHT, QUIET, RISK, RULE, Theme
from evenfall.pictures.svg import line, text
from evenfall.pictures.words import said

_ROWS = {"skipped": 0.0, "reduced": 1.0, "normal": 2.0, "tightened": 3.0, "stopped": 4.0}
_MOST = 40
_LABEL_PX = 66.0
_MARK_PX = 5.0


def lot_strip(lots: Sequence[tuple[str, str, str, str]], *, theme: Theme = LIGHT) -> Drawing:
    """Return the newest lots as a strip, as SVG.

    Of each lot its name, how it was inspected, the decision, and the state after it; at least one.
    """
    shown = lots[-_MOST:]
    bad = sum(decision != "accepted" for _, _, decision, _ in shown)
    chart = Chart(
        said("{count:count lot} in their order", count=len(shown)),
        said(
            "{bad} not accepted; the next lot: {state}.",
            bad=bad,
            state=_next(shown[-1][3]),
        ),
        said("Of {all} lots these are the newest.", all=len(lots)) if len(lots) > _MOST else "",
    )
    rows = [name for name in _ROWS if name in {one[1] for one in shown} | {shown[-1][3], "normal"}]
    height = {name: float(n) for n, name in enumerate(rows)}
    few = len(shown) <= _MOST // 4
    panel = chart.panel(
        (0.4, len(shown) + 1.4),
        (-0.6, len(rows) - 0.4),
        caption=said("Inspection"),
        high_px=16.0 + 30.0 * len(rows),
        left_px=_LABEL_PX,
        ticks={n + 1.0: name[:12] for n, (name, *_) in enumerate(shown)} if few else 10,
        levels=0,
    )
    for name in rows:
        y = panel.y(height[name])
        chart.add(line(panel.x.start_px, y, panel.x.end_px, y, ink=RULE, width_px=0.6))
        chart.add(text(_LABEL_PX - 6.0, y + 3.0, name, size_px=9, anchor="end", ink=QUIET))
    where = [height[one[1]] for one in shown] + [height[shown[-1][3]]]
    places = [n + 1.0 for n in range(len(where))]
    panel.line(places, where, ink=QUIET, width_px=1.0)
    for at, (name, state, decision, _) in zip(places, shown, strict=False):
        accepted = decision == "accepted"
        kind = ("open" if state == "skipped" else "dot") if accepted else "cross"
        panel.point(
            at,
            height[state],
            kind,
            ink=INK if accepted else RISK,
            size=_MARK_PX,
            label=said("{name}: {decision}, {state}", name=name, decision=decision, state=state),
        )
    panel.point(places[-1], where[-1], "diamond", ink=INK, size=_MARK_PX)
    chart.marked("dot", said("accepted"), size=_MARK_PX)
    chart.marked("cross", said("not accepted"), ink=RISK, size=_MARK_PX)
    if "skipped" in rows:
        chart.marked("open", said("accepted, not inspected"), size=_MARK_PX)
    chart.marked("diamond", said("the next lot"), size=_MARK_PX)
    chart.table("lot", "inspection", "decision", "state after it", rows=lots)
    return chart.drawn(theme)


def _next(state: str) -> str:
    return "none before something is changed" if state == "stopped" else f"{state} inspection"
