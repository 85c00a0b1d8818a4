"""Bad readings of the crumble tests: named by file, row and column; exit code 2; folder untouched."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from sound_trial import RUNS, TOML
from test_bad_input import Case, refused

from fizzlab.trial.folder import load

MakeTrial = Callable[..., Path]

TUMBLES = """\
run,pieces,before_g,after_g,broken,note
A,5,400,396.1,0,
B,5,402,391,1,
C,5,399,395,,
D,5,401,390,2,
"""
DROPS = "run,piece,height_cm,broke,order\nA,1,60,no,1\nA,2,70,yes,2\nB,1,60,yes,1\nB,2,50,no,2\n"
SCORES = "run,piece,rater,score\nA,1,Mo,0\nA,1,Ines,1\nB,1,Mo,3\nB,1,Ines,4\n"
BLIND_RUNS = (
    RUNS.replace("run,day,", "run,day,blind,")
    .replace("A,1,", "A,1,417,")
    .replace("B,1,", "B,1,208,")
    .replace("C,2,", "C,2,365,")
    .replace("D,2,", "D,2,,")
)
BY_CODE = "blind,piece,rater,score\n417,1,Mo,0\n208,1,Mo,3\n365,1,Mo,2\n"

CASES = [
    Case(
        "a part of the index that is none",
        {"trial__toml": f"{TOML}\n[crumble.index.loss]\nweight = 1\nbest = 0\nworst = 5\n"},
        ("trial.toml, key crumble.index.loss: “loss” is none of its choices", "Choose from: loss_pct"),
    ),
    Case(
        "tumbles: column missing",
        {"tumbles__csv": TUMBLES.replace("after_g", "afterwards")},
        ("tumbles.csv, row 1, column after_g: the column is missing",),
    ),
    Case(
        "tumbles: mass with its unit",
        {"tumbles__csv": TUMBLES.replace("396.1", "396.1 g")},
        ("tumbles.csv, row 2, column after_g: “396.1 g” is not a number. Write the number alone",),
    ),
    Case(
        "tumbles: no piece",
        {"tumbles__csv": TUMBLES.replace("A,5,", "A,0,")},
        ("tumbles.csv, row 2, column pieces: 0 is outside what is possible here (1 to 1000).",),
    ),
    Case(
        "tumbles: half a piece broke",
        {"tumbles__csv": TUMBLES.replace("391,1", "391,1.5")},
        ("tumbles.csv, row 3, column broken: “1.5” is not a whole number.",),
    ),
    Case(
        "tumbles: heavier after than before",
        {"tumbles__csv": TUMBLES.replace("396.1", "406")},
        ("tumbles.csv, row 2, column after_g: 406 g after tumbling is more than before.",),
    ),
    Case(
        "tumbles: more broke than were tumbled",
        {"tumbles__csv": TUMBLES.replace("390,2", "390,6")},
        ("tumbles.csv, row 5, column broken: 6 pieces broke, but only 5 were tumbled.",),
    ),
    Case(
        "tumbles: unknown batch",
        {"tumbles__csv": TUMBLES.replace("B,5,", "BB,5,")},
        ("tumbles.csv, row 3, column run: “BB” is not a batch that runs names.",),
    ),
    Case(
        "drops: neither broken nor whole",
        {"drops__csv": DROPS.replace("A,2,70,yes", "A,2,70,cracked")},
        ("drops.csv, row 3, column broke: “cracked” is not yes or no.",),
    ),
    Case(
        "drops: from no height",
        {"drops__csv": DROPS.replace("A,1,60", "A,1,0")},
        ("drops.csv, row 2, column height_cm: 0 is outside what is possible here (above 0 to 1000).",),
    ),
    Case(
        "drops: a height in words",
        {"drops__csv": DROPS.replace("A,1,60", "A,1,knee-high")},
        ("drops.csv, row 2, column height_cm: “knee-high” is not a number.",),
    ),
    Case(
        "drops: a place that stands twice",
        {"drops__csv": DROPS.replace("yes,2", "yes,1")},
        ("drops.csv, row 3, column order: the place 1 in the sequence of batch A stands twice.",),
    ),
    Case(
        "drops: a broken piece dropped again",
        {"drops__csv": DROPS.replace("B,2,50", "B,1,50")},
        ("drops.csv, row 5, column piece: piece 1 of batch B had broken at an earlier drop.",),
    ),
    Case(
        "drops: no piece named",
        {"drops__csv": DROPS.replace("A,1,60", "A,,60")},
        ("drops.csv, row 2, column piece: the cell is empty.",),
    ),
    Case(
        "scores: a score under 0",
        {"crumble_scores__csv": SCORES.replace("A,1,Mo,0", "A,1,Mo,-1")},
        ("crumble_scores.csv, row 2, column score: -1 is outside what is possible here (0 to 4).",),
    ),
    Case(
        "scores: half a score",
        {"crumble_scores__csv": SCORES.replace("A,1,Ines,1", "A,1,Ines,1.5")},
        ("crumble_scores.csv, row 3, column score: “1.5” is not a whole number.",),
    ),
    Case(
        "scores: the same piece twice",
        {"crumble_scores__csv": SCORES.replace("A,1,Ines,1", "A,1,Mo,1")},
        ("crumble_scores.csv, row 3, column rater: it repeats row 2 (run A, piece 1, rater Mo).",),
    ),
    Case(
        "scores: a name in other capitals",
        {"crumble_scores__csv": SCORES.replace("B,1,Mo", "B,1,mo")},
        ("crumble_scores.csv, row 4, column rater: “mo” was written “Mo” further up.",),
    ),
    Case(
        "scores: nobody scored",
        {"crumble_scores__csv": SCORES.replace("A,1,Mo,0", "A,1,,0")},
        ("crumble_scores.csv, row 2, column rater: the cell is empty.",),
    ),
    Case(
        "scores: a code that is none",
        {"runs__csv": BLIND_RUNS, "crumble_scores__csv": BY_CODE.replace("208", "209")},
        (
            "crumble_scores.csv, row 3, column blind: “209” is not a blind code that runs names.",
            "Did you mean 208?",
        ),
    ),
    Case(
        "scores: codes where runs has none",
        {"crumble_scores__csv": BY_CODE},
        ("crumble_scores.csv, row 2, column blind: “417” is not a blind code that runs names.",),
    ),
    Case(
        "scores: neither code nor batch",
        {"runs__csv": BLIND_RUNS, "crumble_scores__csv": BY_CODE.replace("208,", ",")},
        ("crumble_scores.csv, row 3, column blind: neither run nor blind is filled in.",),
    ),
    Case(
        "scores: code and batch that differ",
        {"runs__csv": BLIND_RUNS, "crumble_scores__csv": "run,blind,piece,rater,score\nB,417,1,Mo,0\n"},
        ("crumble_scores.csv, row 2, column blind: the code 417 is batch A, but run says B.",),
    ),
    Case(
        "scores: one code for two batches",
        {"runs__csv": BLIND_RUNS.replace("208", "417"), "crumble_scores__csv": BY_CODE},
        ("column blind: the code 417 stands for several batches in runs (A and B).",),
    ),
    Case(
        "scores: by code the same piece twice",
        {"runs__csv": BLIND_RUNS, "crumble_scores__csv": BY_CODE + "417,1,Mo,2\n"},
        ("crumble_scores.csv, row 5, column rater: it repeats row 2 (run A, piece 1, rater Mo).",),
    ),
    Case(
        "scores: blind codes of spoilt runs are not looked up",
        {"runs__csv": BLIND_RUNS.replace("dye", "dyed"), "crumble_scores__csv": BY_CODE},
        ("“dyed” is not a level that trial.toml names.",),
    ),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_bad_input_is_named_and_nothing_changes(case: Case, make_trial: MakeTrial) -> None:
    refused(case, make_trial(**case.files))


def test_sound_tables_are_taken(make_trial: MakeTrial) -> None:
    trial = load(make_trial(tumbles__csv=TUMBLES, drops__csv=DROPS, crumble_scores__csv=SCORES))
    assert [len(trial.rows(name)) for name in ("tumbles", "drops", "crumble_scores")] == [4, 4, 4]
    assert not [doubt for doubt in trial.doubts if "tumbles" in doubt.where]


def test_a_piece_may_be_dropped_until_it_breaks(make_trial: MakeTrial) -> None:
    drops = "run,piece,height_cm,broke\nA,1,40,no\nA,1,60,no\nA,1,80,yes\nB,1,40,yes\n"
    assert len(load(make_trial(drops__csv=drops)).rows("drops")) == 4


def test_a_tumble_that_took_half_the_mass_is_doubted(make_trial: MakeTrial) -> None:
    doubts = load(make_trial(tumbles__csv=TUMBLES.replace("390,2", "190,2"))).doubts
    assert any(
        "row 5, column after_g: more than half of the mass is gone (401 g before)" in str(d) for d in doubts
    )


def test_codes_are_matched_whatever_their_capitals(make_trial: MakeTrial) -> None:
    runs, scores = BLIND_RUNS.replace("417", "Kelp"), BY_CODE.replace("417", "kelp")
    trial = load(make_trial(runs__csv=runs, crumble_scores__csv=scores))
    assert list(trial.rows("crumble_scores")["run"]) == ["A", "B", "C"]
    assert "blind" not in trial.rows("crumble_scores")
