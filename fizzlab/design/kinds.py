"""The kinds of plan, declared once: trial.toml, a new trial, planning and the guide loop over this list.

Nothing heavy is imported: a builder is named, and looked up when a plan is made. It is called with the
factors, the seed, `per_day` and those of its options that were given.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Kind:
    """One kind of plan: its name, its builder as "module:function" of this room, and what it takes.

    `options` are the keys of [plan] that it uses besides those of every kind, `needs` those without which it
    cannot be planned. The flags say whether it compares the levels of one factor, sets two levels or amounts
    of each, can show a bend in every amount, shares out one total, changes nothing, or has the batches read
    again and again, each reading by a person who is named.
    """

    name: str
    build: str
    options: tuple[str, ...]
    needs: tuple[str, ...] = ()
    one_factor: bool = False
    two_levels: bool = False
    bends: bool = False
    blends: bool = False
    alike: bool = False
    again: bool = False


#: Every kind, by name.
# fmt: off
KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind("compare", "blocks:compare", ("days", "control_batches"), needs=("days", "batches_per_day"),
             one_factor=True),
        Kind("factorial", "factorial:full_factorial", ("repeats", "centre_points", "model", "forbidden"),
             two_levels=True),
        Kind("fractional factorial", "factorial:fractional_factorial",
             ("repeats", "generators", "resolution", "centre_points", "batches"), two_levels=True),
        Kind("central composite", "factorial:central_composite", ("centre_points", "reach"), bends=True),
        Kind("mixture", "mixture:mixture_plan", ("repeats", "centre_points", "total", "blending"),
             needs=("total",), blends=True),
        Kind("split plot", "blocks:split_plot", ("days", "hard_to_change", "model", "forbidden"),
             needs=("days", "batches_per_day", "hard_to_change")),
        Kind("once more", "adding:make_again", ("combinations", "repeats"),
             needs=("combinations", "repeats")),
        Kind("season", "repeats:season", ("days",), needs=("days", "batches_per_day"), alike=True),
        Kind("repeatability", "repeats:repeatability", ("batches", "repeats"), needs=("batches", "repeats"),
             alike=True, again=True),
    )
}
# fmt: on
