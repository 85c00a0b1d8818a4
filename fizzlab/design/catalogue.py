"""The regular two-level fractions of least aberration in 4 to 64 runs, for up to 15 factors.

Columns are numbered in standard (Yates) order: bit i of a number says that basic factor i is in the
product, so 3 is AB, 7 is ABC, 13 is ACD.

Source: J. Chen, D. X. Sun, C. F. J. Wu, "A catalogue of two-level and three-level fractional factorial
designs with small runs", International Statistical Review 61 (1993) 131-145, as kept in the catalogue
of R package FrF2 2.3-4 (first design of each size). The word-length patterns are checked by the tests.
"""

from __future__ import annotations

MINIMUM_ABERRATION: dict[tuple[int, int], tuple[int, ...]] = {
    (4, 3): (3,),
    (8, 4): (7,),
    (8, 5): (3, 5),
    (8, 6): (3, 5, 6),
    (8, 7): (3, 5, 6, 7),
    (16, 5): (15,),
    (16, 6): (7, 11),
    (16, 7): (7, 11, 13),
    (16, 8): (7, 11, 13, 14),
    (16, 9): (3, 5, 9, 14, 15),
    (16, 10): (3, 5, 6, 9, 14, 15),
    (16, 11): (3, 5, 6, 9, 10, 13, 14),
    (16, 12): (3, 5, 6, 9, 10, 13, 14, 15),
    (16, 13): (3, 5, 6, 7, 9, 10, 11, 12, 13),
    (16, 14): (3, 5, 6, 7, 9, 10, 11, 12, 13, 14),
    (16, 15): (3, 5, 6, 7, 9, 10, 11, 12, 13, 14, 15),
    (32, 6): (31,),
    (32, 7): (7, 27),
    (32, 8): (7, 11, 29),
    (32, 9): (7, 11, 19, 29),
    (32, 10): (7, 11, 19, 29, 30),
    (32, 11): (7, 11, 13, 19, 21, 25),
    (32, 12): (7, 11, 13, 14, 19, 21, 25),
    (32, 13): (7, 11, 13, 14, 19, 21, 22, 25),
    (32, 14): (7, 11, 13, 14, 19, 21, 22, 25, 26),
    (32, 15): (7, 11, 13, 14, 19, 21, 22, 25, 26, 28),
    (64, 7): (63,),
    (64, 8): (15, 51),
    (64, 9): (7, 27, 45),
    (64, 10): (7, 27, 43, 53),
    (64, 11): (7, 11, 29, 45, 51),
    (64, 12): (7, 11, 29, 45, 51, 62),
    (64, 13): (7, 11, 21, 25, 38, 58, 60),
    (64, 14): (7, 11, 19, 30, 37, 41, 49, 60),
    (64, 15): (7, 11, 19, 30, 37, 41, 49, 60, 63),
}
"""(runs, factors) to the columns of the added factors."""
