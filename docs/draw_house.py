"""Draw the rooms of the package and the arrows between them, from its imports: python docs/draw_house.py

A box is as high as its room has lines; an arrow is as thick as there are modules that import along it.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import matplotlib as mpl
from matplotlib.figure import Figure
from matplotlib.patches import FancyArrowPatch, Rectangle

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from test_house import FLOORS, graph, modules, room

INK, SOFT, FILL = "#1f2937", "#94a3b8", "#eef2f7"


def main(target: Path) -> None:
    """Write the picture."""
    lines: Counter[str] = Counter()
    for name, path in modules().items():
        lines[room(name)] += len(path.read_text(encoding="utf-8").splitlines())
    arrows = Counter(
        (room(name), room(other))
        for name, others in graph().items()
        for other in others
        if {room(name), room(other)} <= FLOORS.keys() - {"__main__"} and room(name) != room(other)
    )
    rooms = [name for name in FLOORS if name in lines and name != "__main__"]
    floors = sorted({FLOORS[name] for name in rooms})
    figure = Figure(figsize=(8, 9))
    axes = figure.add_axes((0, 0, 1, 1))
    places: dict[str, tuple[float, float, float]] = {}
    for level, floor in enumerate(floors):
        here = [name for name in rooms if FLOORS[name] == floor]
        for place, name in enumerate(here):
            height = 0.46 + 0.3 * lines[name] / max(lines.values())
            x = (place + 0.5) / len(here) * 8 + 0.35 * (level % 2) - 0.2  # off each other's line of sight
            places[name] = x, level * 1.25, height
            axes.add_patch(Rectangle((x - 0.75, level * 1.25), 1.5, height, fc=FILL, ec=INK, lw=1, zorder=2))
            told = f"{name}\n{lines[name]:,} lines"
            axes.text(x, level * 1.25 + height / 2, told, ha="center", va="center", color=INK, zorder=3)
    for (start, end), many in arrows.items():
        (x0, y0, _), (x1, y1, high) = places[start], places[end]
        line = {"color": SOFT, "lw": 0.5 + many / 14, "alpha": 0.75, "zorder": 1}
        axes.add_patch(
            FancyArrowPatch((x0, y0), (x1, y1 + high), arrowstyle="-|>", mutation_scale=11, **line)
        )
    axes.set(xlim=(0, 8), ylim=(-0.2, len(floors) * 1.25))
    axes.axis("off")
    with mpl.rc_context({"svg.hashsalt": "house", "svg.fonttype": "path"}):
        figure.savefig(target, metadata={"Date": None})


if __name__ == "__main__":
    main(Path(__file__).with_name("house.svg"))
