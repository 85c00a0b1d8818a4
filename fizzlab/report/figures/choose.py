"""The trade-off drawn: every combination by every response that was asked for, with the limits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from textwrap import wrap

from matplotlib.figure import Figure

from fizzlab.models.choose import Choice
from fizzlab.models.plotting import WIDTH, house_style

#: So many combinations are drawn.
MOST = 12
#: Most signs in a line: of a name, and of a panel's title beside short names and beside long ones.
NAME, TITLE = 18, (25, 15)


def trade_off(choice: Choice, names: Sequence[str], titles: Mapping[str, str]) -> Figure:
    """Draw a row for each of the best combinations, named so, and a panel a response with its title.

    Before them stands the panel of all limits, or of the wishes.
    """
    whole = "Keeps every limit, %" if choice.limits else "Wishes granted, %"
    panels: list[tuple[str | None, str]] = [(None, whole), *titles.items()]
    shown = [wrap(name, max(NAME, len(name) // 2 + 4)) for name in names]
    widest = max(len(line) for lines in shown for line in lines)
    each = 0.38 if any(len(lines) > 1 for lines in shown) else 0.28
    rows = -(-len(panels) // 2)
    with house_style():
        figure = Figure(figsize=(WIDTH, rows * (0.85 + each * len(names))), layout="constrained")
        grid = figure.subplots(rows, 2, sharey=True, squeeze=False)
        for axes, (response, title) in zip(grid.flat, panels, strict=False):
            choice.plot(axes, response, most=len(names))
            lines = wrap(title, TITLE[widest > NAME])
            axes.set_title("\n".join(lines), fontsize=9.5, fontweight="normal")
            axes.set_xlabel("")
            axes.tick_params(axis="x", labelsize=9)
            axes.tick_params(axis="y", length=0)
            axes.spines["left"].set_visible(False)
        for axes in grid[:, 0]:
            axes.set_yticks(range(len(names)), ["\n".join(lines) for lines in shown], fontsize=9.5)
            axes.get_yticklabels()[0].set_fontweight("bold")
        for axes in list(grid.flat)[len(panels) :]:
            axes.set_visible(False)
    return figure
