"""Which panels stand as one point on a run's charts, and the charts themselves."""

from __future__ import annotations

from collections.abc import Sequence

from .charts import Chart, c_chart, corrected_p, corrected_u
from .panels import Panel
from .record import Group

# fewer points than this tell nothing about spread
_LEAST_GROUPS = 6
_MOST_GROUPS = 60
_LEAST_PANELS = 4
_MM2_PER_DM2 = 10_000.0


def grouped(panels: Sequence[Panel]) -> tuple[Group, ...]:
    """Panels by batch where every one has a batch and there are enough; else runs of equal length.

    Only panels that the machine could see well enough, in the run's order.
    """
    seen = [panel for panel in panels if panel.usable]
    batches = list(dict.fromkeys(panel.facts.get("batch", "") for panel in seen))
    if "" not in batches and _LEAST_GROUPS <= len(batches) <= _MOST_GROUPS:
        return tuple(
            Group(batch, tuple(p for p in seen if p.facts.get("batch") == batch))
            for batch in batches
        )
    size = max(_LEAST_PANELS, -(-len(seen) // 25))
    groups: list[Group] = []
    for start in range(0, len(seen), size):
        members = tuple(seen[start : start + size])
        # a short rest would stand as a point with limits of its own: it joins the last
        if len(members) < size and groups:
            last = groups.pop()
            members = (*last.panels, *members)
        first, end = members[0].index + 1, members[-1].index + 1
        groups.append(Group(f"{first}-{end}" if end > first else f"{first}", members))
    return tuple(groups)


def stopped_chart(groups: Sequence[Group]) -> Chart | None:
    """Shares of panels that do not pass, group by group; None for too few groups."""
    if len(groups) < _LEAST_GROUPS:
        return None
    bad = [sum(panel.ruling != "pass" for panel in group.panels) for group in groups]
    return corrected_p(bad, [len(group.panels) for group in groups])


def findings_chart(groups: Sequence[Group]) -> Chart | None:
    """Findings group by group: c where all hold as much area, else u in findings a dm² of panel.

    Where counts spread too much, or areas differ, it is u or Laney's u'. None for too few groups.
    """
    if len(groups) < _LEAST_GROUPS:
        return None
    counts = [sum(len(panel.marks) for panel in group.panels) for group in groups]
    known = all(panel.size_known for group in groups for panel in group.panels)
    areas = [
        sum(panel.width_mm * panel.height_mm / _MM2_PER_DM2 for panel in group.panels)
        if known
        else float(len(group.panels))
        for group in groups
    ]
    chart = corrected_u(counts, areas)
    if chart.kind == "u" and max(areas) - min(areas) < 1e-9 * max(areas):
        return c_chart(counts)
    return chart
