"""The kinds of plan, declared once: trial.toml, a new trial, planning and the guide loop over this list.

Nothing heavy is imported: a builder is named, and looked up when a plan is made. It is called with the
factors, the seed, `per_day` and those of its options that were given.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Kind:
    """One kind of plan: its name and what it is for, its builder as "module:function", and what it takes.

    `options` are the keys of [plan] that it uses besides those of every kind, `needs` those without which it
    cannot be planned. The flags say whether it compares the levels of one factor, sets two levels or amounts
    of each, can show a bend in every amount, or shares out one total.
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


#: Every kind, by name.
KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind(
            "compare",
            "Ways of one factor against a control; each day is a block that holds as many of them as fit.",
            "fizzlab.design.blocks:compare",
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
            ("repeats", "generators", "resolution", "centre_points", "batches"),
            two_levels=True,
        ),
        Kind(
            "central composite",
            "Which amount is best, with a bend: corners, stars and middle of 2 to 6 amounts.",
            "fizzlab.design.factorial:central_composite",
            ("centre_points", "reach"),
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
            "fizzlab.design.blocks:split_plot",
            ("days", "hard_to_change", "model", "forbidden"),
            needs=("days", "batches_per_day", "hard_to_change"),
        ),
    )
}
