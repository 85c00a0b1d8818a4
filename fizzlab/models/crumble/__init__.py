"""How well pieces hold: tumble loss, drop height, ordered scores, raters' agreement, and a stated index."""

from __future__ import annotations

from fizzlab.models.crumble.agreement import (
    RELY,
    TENTATIVE,
    Agreement,
    RaterBias,
    agreement_alpha,
    agreement_fleiss,
    agreement_kappa,
    krippendorff_alpha,
    rater_bias,
    rating_table,
    whom_to_retrain,
)
from fizzlab.models.crumble.broken import BrokenFit, broken_by_level, broken_effects, broken_share
from fizzlab.models.crumble.drop import DropFit, Heights, Method, drop_heights
from fizzlab.models.crumble.estimates import Effect, JointTest, Share
from fizzlab.models.crumble.index import Part, crumble_index
from fizzlab.models.crumble.scores import (
    MeanScore,
    Proportionality,
    ScoreChance,
    ScoreFit,
    score_regression,
)
from fizzlab.models.crumble.staircase import DixonMood, dixon_mood, is_up_and_down
from fizzlab.models.crumble.study import (
    CrumbleStudy,
    DropStudy,
    Known,
    ScoreStudy,
    TumbleStudy,
    study_crumble,
)
from fizzlab.models.crumble.tumble import (
    LossLevel,
    TumbleFit,
    batch_losses,
    loss_pct,
    reading_step,
    tumble_effects,
)

__all__ = [
    "RELY",
    "TENTATIVE",
    "Agreement",
    "BrokenFit",
    "CrumbleStudy",
    "DixonMood",
    "DropFit",
    "DropStudy",
    "Effect",
    "Heights",
    "JointTest",
    "Known",
    "LossLevel",
    "MeanScore",
    "Method",
    "Part",
    "Proportionality",
    "RaterBias",
    "ScoreChance",
    "ScoreFit",
    "ScoreStudy",
    "Share",
    "TumbleFit",
    "TumbleStudy",
    "agreement_alpha",
    "agreement_fleiss",
    "agreement_kappa",
    "batch_losses",
    "broken_by_level",
    "broken_effects",
    "broken_share",
    "crumble_index",
    "dixon_mood",
    "drop_heights",
    "is_up_and_down",
    "krippendorff_alpha",
    "loss_pct",
    "rater_bias",
    "rating_table",
    "reading_step",
    "score_regression",
    "study_crumble",
    "tumble_effects",
    "whom_to_retrain",
]
