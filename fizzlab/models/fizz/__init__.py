"""Fizz: how long, how much gas, when the colour shows, and how storage takes it away."""

from __future__ import annotations

from fizzlab.models.fizz.durations import (
    DurationFit,
    Effect,
    WaterSlope,
    arrhenius_column,
    fit_durations,
    typical_durations,
)
from fizzlab.models.fizz.gas import Estimate, GasFit, fit_gas
from fizzlab.models.fizz.gas_models import SHAPES, Shape, gas_model, share_out, time_until
from fizzlab.models.fizz.reached import GasFits, GasReached, fit_gas_curves, gas_reached
from fizzlab.models.fizz.release import Release, colour_seen, fit_release
from fizzlab.models.fizz.scale import Drift, Jump, blank_drift, find_jumps, scale_step
from fizzlab.models.fizz.shelf import HOME_STORAGE, HumidityEffect, LossRate, humidity_effect, loss_rates

__all__ = [
    "HOME_STORAGE",
    "SHAPES",
    "Drift",
    "DurationFit",
    "Effect",
    "Estimate",
    "GasFit",
    "GasFits",
    "GasReached",
    "HumidityEffect",
    "Jump",
    "LossRate",
    "Release",
    "Shape",
    "WaterSlope",
    "arrhenius_column",
    "blank_drift",
    "colour_seen",
    "find_jumps",
    "fit_durations",
    "fit_gas",
    "fit_gas_curves",
    "fit_release",
    "gas_model",
    "gas_reached",
    "humidity_effect",
    "loss_rates",
    "scale_step",
    "share_out",
    "time_until",
    "typical_durations",
]
