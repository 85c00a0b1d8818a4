"""The kinds of plan, declared once: trial.toml, a new trial, planning and the guide loop over this list.

Nothing heavy is imported: a builder is named, and looked up when a plan is made. It is called with the
factors, the seed, `per_day` and those of its options that were given.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Kind:
    """One kind of plan.

    Parameters
    ----------
    name : str
        As in trial.toml.
    says : str
        What it is for, as one plain sentence.
    build : str
        ``"module:function"``.
    options : tuple of str
        Keys of [plan] that it uses besides those that every kind has.
    needs : tuple of str
        Keys without which it cannot be planned.
    one_factor : bool
        Does it compare the levels of one factor?
    two_levels : bool
        Are the factors set at two levels or amounts?
    bends : bool
        Can every amount show a bend?
    blends : bool
        Are the factors shares of one total?
    adds : bool
        Can it add to runs already made?
    """

    name: str
    says: str
    build: str
    options: tuple[str, ...]
    needs: tuple[str, ...] = ()
    one_factor: bool = False
    two_levels: bool = False
    bends: bool = False
    blends: bool = False
    adds: bool = False


#: Every kind, by name.
KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind(
            "compare",
            "Ways of one factor against a control; each day is a block that holds as many of them as fit.",
            "fizzlab.design.compare:compare_levels",
            ("days", "control_batches"),
            needs=("days", "batches_per_day"),
            one_factor=True,
        ),
        Kind(
            "factorial",
            "Every combination; also tells how two factors act together.",
            "fizzlab.design.factorial:full_factorial",
            ("repeats", "centre_points", "model", "forbidden"),
            two_levels=True,
        ),
        Kind(
            "fractional factorial",
            "Four or more factors of two levels in a half, a quarter or less of the batches.",
            "fizzlab.design.factorial:fractional_factorial",
            ("repeats", "generators", "resolution", "asked", "centre_points", "batches"),
            two_levels=True,
        ),
        Kind(
            "central composite",
            "Which amount is best, with a bend: corners, stars and middle of 2 to 6 amounts.",
            "fizzlab.design.surface:central_composite",
            ("centre_points", "reach"),
            bends=True,
        ),
        Kind(
            "box-behnken",
            "Which of 3 to 5 amounts is best, with a bend and no batch at every extreme at once.",
            "fizzlab.design.surface:box_behnken",
            ("centre_points",),
            bends=True,
        ),
        Kind(
            "mixture",
            "Two, three or more shares of one total: oil, alcohol and emulsifier of the liquid.",
            "fizzlab.design.mixture:mixture_plan",
            ("repeats", "centre_points", "total", "blending"),
            needs=("total",),
            blends=True,
        ),
        Kind(
            "split plot",
            "Something that is set for whole days (dried air, a binder mixed once), others batch by batch.",
            "fizzlab.design.splitplot:split_plot",
            ("days", "hard_to_change", "model", "forbidden"),
            needs=("days", "batches_per_day", "hard_to_change"),
        ),
        Kind(
            "optimal",
            "As many batches as you can make, any levels and amounts, without what you forbid.",
            "fizzlab.design.optimal:optimal_plan",
            ("batches", "model", "criterion", "repeated_batches", "forbidden"),
            needs=("batches",),
            adds=True,
        ),
    )
}
