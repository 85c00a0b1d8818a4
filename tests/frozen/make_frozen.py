"""Write the simulated trial folders, all of one invented, damp harbour-side workshop.

    python make_frozen.py [TARGET]        # TARGET is the folder `trials` beside this file if not given

Seeded, and the same on every run: each column has a stream of random numbers that is named after it. Plain
numpy, pandas and the standard library only; nothing of the kit is imported, so its modules may move freely.
"""

from __future__ import annotations

import csv
import itertools
import sys
from pathlib import Path

import numpy as np
import pandas as pd

SEED = 20270315
PLACE = "invented harbour-side workshop"
MAKER = "an invented maker"


def stream(*name: str) -> np.random.Generator:
    """Random numbers that belong to one name, whatever else is drawn."""
    return np.random.default_rng(np.random.SeedSequence(SEED, spawn_key=tuple("/".join(name).encode())))


# The room -------------------------------------------------------------------------------------------------


def lingering(rng, count, sd, days):
    keep = np.exp(-1 / (48 * days))
    pushes = rng.normal(0, sd * np.sqrt(1 - keep**2), count)
    values = np.empty(count)
    values[0] = rng.normal(0, sd)
    for i in range(1, count):
        values[i] = keep * values[i - 1] + pushes[i]
    return values


def room(code, first, last, mean_c, damp=0.0, swing=0.0, damp_swing=0.0):
    """True air every half hour; the swings are of a year, coldest and dampest in mid January."""
    rng = stream(code, "air")
    time = pd.date_range(first, last, freq="30min")
    clock = 2 * np.pi * ((time.hour + time.minute / 60).to_numpy() - 15) / 24
    year = np.cos(2 * np.pi * (time.dayofyear.to_numpy() - 15) / 365)
    temp = mean_c - swing * year + 1.2 * np.cos(clock) + lingering(rng, len(time), 0.9, 2.5)
    humid = 70 + damp + damp_swing * year - 4.5 * np.cos(clock) + lingering(rng, len(time), 10.0, 2.0)
    humid = 38 + 56 / (1 + np.exp(-(humid - 66) / 14))
    return pd.DataFrame({"time": time, "temp_c": temp, "rh_pct": humid})


def vpd_kpa(temp_c, rh_pct):
    return 0.61078 * np.exp(17.27 * temp_c / (temp_c + 237.3)) * (1 - rh_pct / 100)


def room_log(code, air, gaps=()):
    rng = stream(code, "room_log")
    log = air.assign(
        temp_c=(air["temp_c"] + rng.normal(0, 0.1, len(air))).round(1),
        rh_pct=np.clip((air["rh_pct"] + rng.normal(0, 0.6, len(air))).round(0), 1, 99).astype(int),
    )
    for start, end in gaps:
        log = log[~log["time"].between(pd.Timestamp(start), pd.Timestamp(end))]
    return log.reset_index(drop=True)


# Days and batches -----------------------------------------------------------------------------------------


def lay_out(rows, days, per_day, start=8.5, apart=1.0, prefix="R"):
    """Put rows (dicts of factors), in the order of making, on days; the moments are of pressing."""
    table = pd.DataFrame(rows)
    day = [days[i // per_day] for i in range(len(table))]
    made = [
        pd.Timestamp(days[i // per_day]) + pd.Timedelta(hours=start + apart * (i % per_day))
        for i in range(len(table))
    ]
    runs = pd.DataFrame({"run": [f"{prefix}{i + 1:02d}" for i in range(len(table))], "day": day})
    runs["made_at"] = made
    return pd.concat([runs, table], axis=1).assign(note="", leave_out="")


def day_effects(code, what, runs, sd):
    days = runs["day"].unique()
    drawn = dict(zip(days, stream(code, "day", what).normal(0, sd, len(days))))
    return runs["day"].map(drawn).to_numpy()


def shuffled(code, rows):
    return [rows[i] for i in stream(code, "order").permutation(len(rows))]


# Drying ---------------------------------------------------------------------------------------------------


def dry_hours(code, runs, log_ratio, air, median=5.0, slope=-0.8, tau=0.10, sigma=0.10, day_sd=0.05):
    """True dry time in hours of twelve pieces of every batch."""
    rng = stream(code, "drying")
    effect = log_ratio + rng.normal(0, tau, len(runs)) + day_effects(code, "drying", runs, day_sd)
    own = rng.normal(0, sigma, (len(runs), 12))
    hours = []
    for i, made in enumerate(runs["made_at"]):
        since = (air["time"] - made).dt.total_seconds().to_numpy() / 3600
        minutes = np.arange(1, 96 * 60 + 1) / 60
        vpd = vpd_kpa(np.interp(minutes, since, air["temp_c"]), np.interp(minutes, since, air["rh_pct"]))
        due = median * np.exp(effect[i]) * (np.cumsum(vpd) / np.arange(1, len(minutes) + 1) / 0.45) ** slope
        place = int(np.argmax(minutes >= due))
        hours.append(due[place] * np.exp(own[i]))
    return np.array(hours)


def touch_checks(code, runs, hours, looks=(1.5, 2.5, 4.0, 6.0, 8.0, 11.0, 24.0), pieces=4, missed=0.04):
    rng = stream(code, "touch_checks")
    rows = []
    for i, run in enumerate(runs["run"]):
        times = [round(float(look + rng.uniform(-0.15, 0.25)), 1) for look in looks]
        for piece in range(pieces):
            gone = rng.random(len(times)) < missed
            gone[-1] = False
            for time in (t for t, g in zip(times, gone) if not g):
                dry = time >= hours[i, piece]
                rows.append(
                    {"run": run, "piece": str(piece + 1), "hours": time, "dry": "yes" if dry else "no"}
                )
                if dry:
                    break
    return pd.DataFrame(rows).assign(note="", leave_out="")


def weighings(code, runs, hours, moisture, pieces=2, final=84.0, share=0.12, exponent=0.92, noise=0.008):
    rng = stream(code, "weighings")
    rows = []
    for i, run in enumerate(runs["run"]):
        for piece in range(pieces):
            end = rng.normal(final, 0.8)
            start = moisture[i] * np.exp(rng.normal(0, 0.04))
            rate = -np.log(share) / hours[i, 6 + piece] ** exponent
            for planned in (0.0, 1.0, 2.0, 3.5, 5.0, 7.0, 10.0, 23.0):
                at = 0.0 if planned == 0 else round(float(planned + rng.uniform(-0.1, 0.2)), 2)
                mass = end + start * np.exp(-rate * at**exponent) + rng.normal(0, noise)
                rows.append(
                    {"run": run, "piece": f"W{piece + 1}", "hours": at, "mass_g": round(float(mass), 2)}
                )
    return pd.DataFrame(rows).assign(note="", leave_out="")


# Crumbling ------------------------------------------------------------------------------------------------


def tumbles(
    code,
    runs,
    log_ratio,
    median_pct=2.2,
    batch_sd=0.14,
    day_sd=0.06,
    tumble_sd=0.08,
    pieces=4,
    times=2,
    piece_g=84.0,
):
    rng = stream(code, "tumbles")
    days = day_effects(code, "tumbles", runs, day_sd)
    rows = []
    for i, run in enumerate(runs["run"]):
        effect = log_ratio[i] + days[i] + rng.normal(0, batch_sd)
        for _ in range(times):
            before = round(float(rng.normal(piece_g * pieces, 1.6)), 1)
            lost = median_pct * np.exp(effect + rng.normal(0, tumble_sd))
            broken = int((rng.logistic(size=pieces) > 1.8 - 2.0 * effect).sum())
            rows.append(
                {
                    "run": run,
                    "pieces": pieces,
                    "before_g": before,
                    "after_g": round(before * (1 - lost / 100), 1),
                    "broken": broken,
                }
            )
    return pd.DataFrame(rows).assign(note="", leave_out="")


def drops(code, runs, log_ratio, median_cm=70.0, spread=0.25, share=0.2, pieces=8):
    """Ten centimetres lower after a break, higher after a hold."""
    rng = stream(code, "drops")
    rows = []
    for i, run in enumerate(runs["run"]):
        own = spread * (np.sqrt(share) * rng.normal() + np.sqrt(1 - share) * rng.normal(size=pieces))
        height = 60
        for place, limit in enumerate(median_cm * np.exp(log_ratio[i] + own), start=1):
            broke = height >= limit
            rows.append(
                {
                    "run": run,
                    "piece": f"D{place}",
                    "height_cm": height,
                    "broke": "yes" if broke else "no",
                    "order": place,
                }
            )
            height = max(10, height - 10) if broke else height + 10
    return pd.DataFrame(rows).assign(note="", leave_out="")


def crumble_scores(code, runs, shift, leans, pieces=3, thresholds=(-1.6, -0.2, 1.3, 2.8)):
    rng = stream(code, "crumble_scores")
    rows = []
    for i, run in enumerate(runs["run"]):
        common = rng.normal(0, 0.6)
        for piece in range(pieces):
            of_piece = common + rng.normal(0, 1.4)
            for rater, lean in leans.items():
                felt = shift[i] + lean + of_piece + rng.normal(0, 0.8)
                rows.append(
                    {
                        "run": run,
                        "piece": f"S{piece + 1}",
                        "rater": rater,
                        "score": int((felt > np.array(thresholds)).sum()),
                    }
                )
    return pd.DataFrame(rows).assign(note="", leave_out="")


# Fizzing --------------------------------------------------------------------------------------------------


def fizz_times(
    code,
    runs,
    log_ratio,
    colour_s=None,
    median_s=130.0,
    batch_sd=0.05,
    piece_sd=0.06,
    watched=200.0,
    pieces=3,
    day_sd=0.02,
):
    rng = stream(code, "fizz_times")
    days = day_effects(code, "fizz_times", runs, day_sd)
    rows = []
    for i, run in enumerate(runs["run"]):
        effect, of_colour = log_ratio[i] + days[i] + rng.normal(0, batch_sd), rng.normal(0, 0.10)
        for piece in range(pieces):
            water = round(float(rng.uniform(34.0, 40.0)), 1)
            slower = np.exp(30.0 / 8.31446e-3 * (1 / (water + 273.15) - 1 / 311.15))
            lasts = median_s * slower * np.exp(effect + rng.normal(0, piece_sd))
            row = {
                "run": run,
                "piece": f"F{piece + 1}",
                "water_c": water,
                "seconds": round(min(lasts, watched)),
                "done": "yes" if lasts <= watched else "no",
            }
            shows = slower * np.exp(of_colour + rng.normal(0, 0.15))
            if colour_s is not None:
                row["colour_s"] = round(colour_s[i] * shows)
            rows.append(row)
    return pd.DataFrame(rows).assign(note="", leave_out="")


def fizz_curves(code, runs, log_ratio, gas_log=None, gas_g=6.4, t50_s=34.0, pieces=2):
    rng = stream(code, "fizz_curves")
    seconds = np.array([0, 5, 10, 15, 20, 30, 40, 50, 60, 75, 90, 110, 130, 150, 180, 210, 240, 270, 300])
    half = 1 - 0.5 ** (1 / 3)
    rows = []
    for i, run in enumerate(runs["run"]):
        of_gas, of_pace = rng.normal(0, 0.03), rng.normal(0, 0.07)
        for piece in range(pieces):
            water = round(float(rng.normal(38.0, 0.6)), 1)
            gas = gas_g * np.exp((0 if gas_log is None else gas_log[i]) + of_gas + rng.normal(0, 0.02))
            slower = np.exp(log_ratio[i] + of_pace + rng.normal(0, 0.05))
            left = np.maximum(1 - half * seconds / (t50_s * slower), 0) ** 3
            mass = rng.uniform(455.0, 475.0) - gas * (1 - left) - 0.06 / 60 * seconds
            mass = (mass + rng.normal(0, 0.03, len(seconds))).round(1)
            rows += [
                {
                    "run": run,
                    "piece": f"G{piece + 1}",
                    "water_c": water,
                    "seconds": int(s),
                    "mass_g": float(m),
                }
                for s, m in zip(seconds, mass)
            ]
    return pd.DataFrame(rows).assign(note="", leave_out="")


def shelf(code, runs, measure="gas_g", fresh=6.5, per_week=None, weeks=(3, 6, 10)):
    rng = stream(code, "shelf")
    per_week = per_week or {"40": 0.010, "72": 0.040}
    rows = []
    for run in runs["run"]:
        first, own = fresh * np.exp(rng.normal(0, 0.05)), rng.normal(0, 0.003)
        places = [(0, ""), *((week, name) for name in per_week for week in weeks)]
        for number, (week, name) in enumerate(places, start=1):
            rate = per_week[name] + own if name else 0.0
            left = first * np.exp(-rate * week + rng.normal(0, 0.03))
            humid = "" if not name else str(int(name) + int(rng.integers(-1, 2)))
            rows.append(
                {
                    "run": run,
                    "piece": f"K{number}",
                    "weeks": week,
                    "rh_pct": humid,
                    measure: round(float(left), 2 if measure == "share_left" else 1),
                }
            )
    return pd.DataFrame(rows).assign(note="", leave_out="")


# Writing --------------------------------------------------------------------------------------------------


def cell(value, decimal):
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%dT%H:%M}"
    if isinstance(value, float):
        return f"{value:g}".replace(".", decimal)
    return str(value)


def write_trial(target, toml, tables, separator=",", decimal=".", line_end="\n"):
    target.mkdir(parents=True, exist_ok=True)
    (target / "trial.toml").write_bytes(toml.encode())
    for name, table in tables.items():
        table = table.loc[:, [not (table[column].astype(str) == "").all() for column in table.columns]]
        with (target / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file, delimiter=separator, lineterminator=line_end)
            writer.writerow(table.columns)
            writer.writerows([cell(value, decimal) for value in row] for row in table.itertuples(index=False))


def head(code, title, question, seed):
    return (
        f'code = "{code}"\ntitle = "{title}"\nquestion = "{question}"\nplace = "{PLACE}"\n'
        f'made_by = "{MAKER}"\nseed = {seed}\n\n'
    )


def drying(temp=16, rh=70):
    return (
        "[drying]\nshares = [0.5, 0.9, 0.95]\n"
        f"night_hours = 12\nforecast_air = {{ temp_c = {temp}, rh_pct = {rh} }}\n\n"
    )


def item(where, name, kind, amount, price, pack, more=""):
    return (
        f'[[{where}]]\nname = "{name}"\nkind = "{kind}"\namount = "{amount}"\nprice = {price}\n'
        f'pack = "{pack}"\n{more}\n'
    )


def base_recipe(name, oil=True, emulsifier=False):
    """Eight pieces of about 84 g."""
    top = f'[recipe]\nname = "{name}"\npieces = 8\npiece_g = 84\n\n'
    items = [
        item("recipe.ingredients", "baking soda", "sodium bicarbonate", "340 g", 6.5, "2.5 kg"),
        item("recipe.ingredients", "citric acid", "citric acid", "170 g", 13.0, "2.5 kg"),
        item("recipe.ingredients", "cornflour", "cornflour", "120 g", 2.2, "1 kg"),
    ]
    if oil:
        items.append(item("recipe.ingredients", "sweet almond oil", "almond oil", "22 g", 11.0, "1 kg"))
    if emulsifier:
        items.append(item("recipe.ingredients", "polysorbate 80", "polysorbate 80", "9 g", 15.0, "500 g"))
    return top + "".join(items)


def near(runs, name, high, low):
    """-1 to 1 over the range of an amount."""
    return ((runs[name] - (high + low) / 2) / ((high - low) / 2)).to_numpy()


def dates(*texts):
    return list(texts)


# The trials -----------------------------------------------------------------------------------------------


def ways(target):
    """Comparison of four ways of colouring against a control, five batches each, with unequal days."""
    code = "ways"
    levels = ["pearl", "dye", "lake", "none"]
    rows = shuffled(code, [{"colour": level} for level in levels for _ in range(5)])
    runs = lay_out(
        rows, dates("2026-06-02", "2026-06-05", "2026-06-09", "2026-06-12", "2026-06-16"), 4, apart=0.75
    )
    air = room(code, "2026-06-01", "2026-06-20", 18.0, damp=6)
    of = lambda **by: runs["colour"].map(by).to_numpy()
    hours = dry_hours(code, runs, np.log(of(pearl=1.0, dye=1.45, lake=1.12, none=0.9)), air, median=5.2)
    weighed = weighings(code, runs, hours, of(pearl=1.9, dye=2.7, lake=2.1, none=1.7))
    slip = weighed.index[weighed["run"] == "R04"][3]
    weighed.loc[slip, "mass_g"] = round(weighed.loc[slip, "mass_g"] + 1.4, 2)
    weighed.loc[slip, "leave_out"] = "a gull on the sill, the scale shook"
    toml = head(
        code, "Four ways of colouring", "Which way of colouring dries soonest and crumbles least?", 11
    ) + (
        '[factors.colour]\nlevels = ["pearl", "dye", "lake", "none"]\ncontrol = "pearl"\nlabel = "way of colouring"\n\n'
        "[responses.dry_h]\nat_most = 12\nsame_within = 1.25\n\n[responses.score]\nat_most = 2.5\n\n"
        "[responses.fizz_s]\nsame_within = 1.15\n\n[responses.colour_s]\nat_most = 25\n\n"
        + drying()
        + "[fizz]\nbath_c = 37\nwater_ml = 400\n\n[crumble]\nscale_step_g = 0.1\n"
    )
    write_trial(
        target / code,
        toml,
        {
            "runs": runs,
            "touch_checks": touch_checks(code, runs, hours),
            "weighings": weighed,
            "crumble_scores": crumble_scores(
                code, runs, of(pearl=0, dye=0.3, lake=2.0, none=-0.3), {"Ann": 0.5, "Bo": -0.4}
            ),
            "fizz_times": fizz_times(
                code,
                runs,
                np.log(of(pearl=1, dye=1.05, lake=1.25, none=0.98)),
                of(pearl=9, dye=4, lake=14, none=7),
            ),
            "room_log": room_log(code, air),
        },
    )


def blocks(target):
    """Randomised blocks: four binders, each once on each of six days; tumbled, dropped, scored; an index."""
    code = "blocks"
    levels = ["emulsifier", "gum", "starch", "clay"]
    days = dates("2026-06-23", "2026-06-26", "2026-06-30", "2026-07-03", "2026-07-07", "2026-07-10")
    rng = stream(code, "order")
    rows = [{"binder": levels[k]} for _ in days for k in rng.permutation(4)]
    runs = lay_out(rows, days, 4)
    air = room(code, "2026-06-21", "2026-07-14", 19.0, damp=4)
    of = lambda **by: runs["binder"].map(by).to_numpy()
    hours = dry_hours(code, runs, np.log(of(emulsifier=1, gum=1.1, starch=0.85, clay=1.3)), air, median=4.6)
    loss = np.log(of(emulsifier=1.0, gum=1.5, starch=1.9, clay=0.8))
    own = day_effects(code, "foam", runs, 1.0) + stream(code, "foam").normal(0, 1.3, len(runs))
    runs.insert(
        4, "foam_mm", (of(emulsifier=21.0, gum=13.0, starch=17.0, clay=15.0) + own).round(0).astype(int)
    )
    toml = head(
        code, "Four binders in blocks", "Which binder holds a piece together without slowing its drying?", 12
    ) + (
        f'[factors.binder]\nlevels = {levels}\ncontrol = "emulsifier"\n\n'.replace("'", '"')
        + '[plan]\nkind = "compare"\ndays = 6\nbatches_per_day = 4\npieces = 4\n'
        'tables = ["touch_checks", "tumbles", "drops", "crumble_scores", "room_log"]\nraters = ["Ann", "Bo"]\n\n'
        + base_recipe("blocks")
        + item(
            "recipe.by_factor.binder.brings.emulsifier",
            "polysorbate 80",
            "polysorbate 80",
            "9 g",
            15.0,
            "500 g",
        )
        + item(
            "recipe.by_factor.binder.brings.gum",
            "gum arabic",
            "gum arabic",
            "5 g",
            9.0,
            "250 g",
            'role = "other"\n',
        )
        + item(
            "recipe.by_factor.binder.brings.starch",
            "tapioca",
            "tapioca starch",
            "12 g",
            4.0,
            "1 kg",
            'role = "starch"\n',
        )
        + item(
            "recipe.by_factor.binder.brings.clay",
            "kaolin",
            "kaolin clay",
            "10 g",
            5.0,
            "1 kg",
            'role = "other"\n',
        )
        + '[responses.dry_h]\nat_most = 14\nwant = "less"\nbest = 3\nworst = 12\n\n'
        '[responses.tumble_loss_pct]\nat_most = 5\nwant = "less"\nbest = 1\nworst = 5\nweight = 2\n\n'
        '[responses.drop_cm]\nsame_within = 1.2\n\n[responses.score]\nwant = "less"\nbest = 0\nworst = 4\n\n'
        '[responses.foam_mm]\nlabel = "foam after a minute"\nunit = "mm"\nscale = "difference"\nat_least = 9\n\n'
        '[responses.cost]\nwant = "less"\nbest = 0.2\nworst = 0.6\n\n'
        "[crumble]\nscale_step_g = 0.1\nsurvive = 0.8\n\n[crumble.index]\n"
        "loss_pct = { weight = 0.5, best = 0, worst = 6 }\nbroken_pct = { weight = 0.3, best = 0, worst = 60 }\n"
        "score = { weight = 0.2, best = 0, worst = 4 }\n\n" + drying()
    )
    write_trial(
        target / code,
        toml,
        {
            "runs": runs,
            "touch_checks": touch_checks(code, runs, hours),
            "tumbles": tumbles(code, runs, loss),
            "drops": drops(code, runs, -0.6 * loss),
            "crumble_scores": crumble_scores(code, runs, 1.5 * loss, {"Ann": 0.3, "Bo": -0.2}),
            "room_log": room_log(code, air),
        },
        separator=";",
        decimal=",",
        line_end="\r\n",
    )


FACTORIAL_FACTORS = (
    '[factors.colour]\nlevels = ["pearl", "dye"]\ncontrol = "pearl"\nlabel = "way of colouring"\n\n'
    '[factors.gum_g]\namounts = [3, 6]\nunit = "g"\nlabel = "gum"\n\n'
    '[factors.press]\nlevels = ["soft", "hard"]\ncontrol = "soft"\nlabel = "pressing"\n\n'
)


def factorial_recipe(name):
    return (
        base_recipe(name, emulsifier=True)
        + item("recipe.ingredients", "gum arabic", "gum arabic", "4 g", 9.0, "250 g", 'role = "other"\n')
        + '[recipe.by_factor.gum_g]\nsets = "gum arabic"\n\n'
        + item("recipe.by_factor.colour.brings.pearl", "pearl pigment", "mica", "5 g", 7.0, "50 g")
        + item("recipe.by_factor.colour.brings.dye", "blue dye", "liquid dye", "4 g", 5.5, "30 g")
    )


def factorial_effects(runs):
    dye, hard = (runs["colour"] == "dye").to_numpy() * 1.0, (runs["press"] == "hard").to_numpy() * 1.0
    gum = near(runs, "gum_g", 6, 3)
    return {
        "dry": 0.30 * dye + 0.08 * gum + 0.12 * hard,
        "loss": -0.25 * gum - 0.35 * hard - 0.30 * gum * hard * 0.5,
        "fizz": 0.03 * dye + 0.06 * gum + 0.18 * hard,
        "shade": 5.0 - 1.5 * dye + 0.2 * gum,
    }


def factorial(target):
    """2^3, each combination twice, four days of four; gas curves; recipe with prices; steps of the amount."""
    code = "factorial"
    corners = [
        {"colour": c, "gum_g": g, "press": p}
        for c, g, p in itertools.product(["pearl", "dye"], [3, 6], ["soft", "hard"])
    ]
    rows = []
    half = lambda row: (row["colour"] == "dye") ^ (row["gum_g"] == 6) ^ (row["press"] == "hard")
    rng = stream(code, "order")
    for day in range(4):  # the triple joint effect goes with the days
        rows += [[r for r in corners if half(r) == bool(day % 2)][k] for k in rng.permutation(4)]
    runs = lay_out(rows, dates("2026-07-14", "2026-07-17", "2026-07-21", "2026-07-24"), 4, apart=0.8)
    air = room(code, "2026-07-12", "2026-07-28", 19.5, damp=3)
    effect = factorial_effects(runs)
    hours = dry_hours(code, runs, effect["dry"], air, median=4.4)
    runs.insert(6, "shade", (effect["shade"] + stream(code, "shade").normal(0, 0.35, len(runs))).round(1))
    toml = head(code, "Colour, gum and pressing", "What do colour, gum and pressing do together?", 13) + (
        FACTORIAL_FACTORS + '[plan]\nkind = "factorial"\nrepeats = 2\nbatches_per_day = 4\npieces = 4\n'
        'tables = ["touch_checks", "tumbles", "fizz_times", "fizz_curves", "room_log"]\n\n'
        + factorial_recipe(code)
        + '[responses.dry_h]\nat_most = 10\nwant = "less"\nbest = 3\nworst = 10\n\n'
        "[responses.tumble_loss_pct]\nat_most = 4\nsame_within = 1.3\n\n"
        '[responses.fizz_s]\nwant = "more"\nbest = 180\nworst = 90\n\n'
        "[responses.half_out_s]\nsame_within = 1.2\n\n[responses.gas_pct]\nat_least = 40\n\n"
        '[responses.shade]\nlabel = "depth of colour"\nunit = "steps"\nscale = "difference"\nwant = "near"\nbest = 4.5\n'
        'worst = [2, 7]\nshape = 1.5\n\n[responses.cost]\nwant = "less"\nbest = 0.2\nworst = 0.8\n\n'
        "[choose]\nsteps = 3\nconfirm_batches = 3\nnext_batches = 4\n\n"
        + drying(temp=18, rh=65)
        + "[fizz]\nwater_ml = 400\ntheory_g = 9.0\n"
    )
    write_trial(
        target / code,
        toml,
        {
            "runs": runs,
            "touch_checks": touch_checks(code, runs, hours),
            "tumbles": tumbles(code, runs, effect["loss"]),
            "fizz_times": fizz_times(
                code, runs, effect["fizz"], 8 - 4.0 * (runs["colour"] == "dye").to_numpy()
            ),
            "fizz_curves": fizz_curves(code, runs, effect["fizz"], 0.02 * near(runs, "gum_g", 6, 3)),
            "room_log": room_log(code, air),
        },
    )


def fraction(target):
    """Half of a 2^4 of amounts (D = ABC): a pair of opposite corners and a centre batch on each of four days; no air."""
    code = "fraction"
    names = {"oil_g": (15, 30), "gum_g": (3, 6), "starch_g": (90, 150), "salt_g": (0, 20)}
    corners = []
    for a, b, c in itertools.product([-1, 1], repeat=3):
        signs = (a, b, c, a * b * c)
        corners.append(
            {n: (lo + hi) / 2 + s * (hi - lo) / 2 for (n, (lo, hi)), s in zip(names.items(), signs)}
        )
    centre = {n: (lo + hi) / 2 for n, (lo, hi) in names.items()}
    rng = stream(code, "order")
    rows = []
    for k in rng.permutation(4):
        of_day = [corners[k], corners[7 - k], centre]
        rows += [of_day[i] for i in rng.permutation(3)]
    runs = lay_out(rows, dates("2026-07-29", "2026-07-31", "2026-08-04", "2026-08-07"), 3, apart=1.2)
    air = room(code, "2026-07-27", "2026-08-10", 20.0, damp=0)
    z = {n: near(runs, n, hi, lo) for n, (lo, hi) in names.items()}
    hours = dry_hours(
        code, runs, 0.20 * z["oil_g"] + 0.07 * z["gum_g"], air, median=4.2, tau=0.07, day_sd=0.04
    )
    loss = -0.35 * z["gum_g"] + 0.25 * z["starch_g"] + 0.1 * z["oil_g"]
    toml = head(
        code, "Four amounts in half the batches", "Which of oil, gum, starch and salt matters?", 14
    ) + (
        "".join(f'[factors.{n}]\nlow = {lo}\nhigh = {hi}\nunit = "g"\n\n' for n, (lo, hi) in names.items())
        + '[plan]\nkind = "fractional factorial"\nresolution = 4\ncentre_points = 4\nbatches_per_day = 3\npieces = 4\n'
        'tables = ["touch_checks", "tumbles", "fizz_times", "room_log"]\n\n'
        '[responses.dry_h]\nat_most = 10\n\n[responses.tumble_loss_pct]\nwant = "less"\nbest = 1\nworst = 6\n\n'
        "[choose]\nsteps = 2\n\n" + drying(air="none", temp=19, rh=65)
    )
    write_trial(
        target / code,
        toml,
        {
            "runs": runs,
            "touch_checks": touch_checks(code, runs, hours),
            "tumbles": tumbles(code, runs, loss, times=1),
            "fizz_times": fizz_times(code, runs, 0.08 * z["oil_g"] - 0.05 * z["starch_g"], pieces=2),
            "room_log": room_log(code, air),
        },
    )


def split(target):
    """Split plot: air dried or not for a whole day, four ways of colouring within each of six days."""
    code = "split"
    colours = ["pearl", "dye", "lake", "none"]
    days = dates("2026-08-11", "2026-08-14", "2026-08-18", "2026-08-21", "2026-08-25", "2026-08-28")
    rng = stream(code, "order")
    of_day = [["plain", "dried"][k % 2] for k in rng.permutation(6)]
    rows = [{"machine": of_day[d], "colour": colours[k]} for d in range(6) for k in rng.permutation(4)]
    runs = lay_out(rows, days, 4)
    runs.insert(
        3,
        "blind",
        [str(n) for n in stream(code, "blind").choice(np.arange(100, 1000), len(runs), replace=False)],
    )
    air = room(code, "2026-08-09", "2026-09-01", 19.0, damp=6)
    of = lambda **by: runs["colour"].map(by).to_numpy()
    dried = (runs["machine"] == "dried").to_numpy() * 1.0
    hours = dry_hours(
        code,
        runs,
        np.log(of(pearl=1, dye=1.4, lake=1.1, none=0.95)) - 0.30 * dried,
        air,
        median=5.0,
        day_sd=0.08,
    )
    lakes = (runs["colour"] == "lake").to_numpy()
    loss = np.log(of(pearl=1, dye=1.05, lake=1.3, none=0.95)) + 0.10 * dried + 0.3 * dried * lakes
    scores = crumble_scores(code, runs, 1.5 * loss, {"Ann": 0.4, "Bo": -0.4})
    scores.insert(0, "blind", scores["run"].map(dict(zip(runs["run"], runs["blind"]))))
    toml = head(
        code,
        "A machine that dries the air",
        "Is a machine that dries the air worth its noise, whatever the colour?",
        15,
    ) + (
        '[factors.machine]\nlevels = ["plain", "dried"]\ncontrol = "plain"\nlabel = "air of the day"\n\n'
        '[factors.colour]\nlevels = ["pearl", "dye", "lake", "none"]\ncontrol = "pearl"\n\n'
        '[plan]\nkind = "split plot"\nhard_to_change = ["machine"]\ndays = 6\nbatches_per_day = 4\npieces = 4\n'
        'tables = ["touch_checks", "weighings", "tumbles", "crumble_scores", "fizz_times", "room_log"]\nraters = ["Ann", "Bo"]\n\n'
        '[responses.dry_h]\nat_most = 9\nsame_within = 1.25\nwant = "less"\nbest = 2\nworst = 9\n\n'
        "[responses.tumble_loss_pct]\nat_most = 5\n\n[responses.weighed_dry_h]\nat_most = 14\n\n"
        '[responses.fizz_s]\nsame_within = 1.15\nwant = "more"\nbest = 170\nworst = 100\n\n'
        + drying(temp=18, rh=72)
    )
    write_trial(
        target / code,
        toml,
        {
            "runs": runs,
            "touch_checks": touch_checks(code, runs, hours, pieces=4),
            "weighings": weighings(code, runs, hours, of(pearl=1.9, dye=2.6, lake=2.1, none=1.8), pieces=1),
            "tumbles": tumbles(code, runs, loss),
            "crumble_scores": scores.drop(columns="run"),
            "fizz_times": fizz_times(
                code,
                runs,
                np.log(of(pearl=1, dye=1.03, lake=1.2, none=1.0)),
                of(pearl=8, dye=4, lake=12, none=7),
            ),
            "room_log": room_log(code, air),
        },
    )


def bend(target):
    """Central composite of two amounts, a centre batch and two others on each of five days, a best amount inside; Weibull; judged in steps."""
    code = "bend"
    axes = {"oil_g": (22, 8), "gum_g": (4.5, 1.5)}
    far = 1.414
    others = [
        (-1, -1),
        (1, -1),
        (-1, 1),
        (1, 1),
        (-far, 0),
        (far, 0),
        (0, -far),
        (0, far),
        (-far, 0),
        (far, 0),
    ]
    rng = stream(code, "order")
    order = rng.permutation(10)
    rows = []
    for day in range(5):
        of_day = [(0, 0), others[order[2 * day]], others[order[2 * day + 1]]]
        for place in rng.permutation(3):
            x = of_day[place]
            rows.append({n: round(mid + x[j] * reach, 2) for j, (n, (mid, reach)) in enumerate(axes.items())})
    runs = lay_out(
        rows, dates("2026-09-02", "2026-09-04", "2026-09-08", "2026-09-10", "2026-09-12"), 3, apart=1.2
    )
    air = room(code, "2026-08-31", "2026-09-15", 18.0, damp=2)
    x, y = ((runs[n] - mid).to_numpy() / reach for n, (mid, reach) in axes.items())
    hours = dry_hours(code, runs, 0.15 * x + 0.05 * y + 0.05 * x**2, air, median=4.8, tau=0.07, day_sd=0.03)
    loss = -0.2 * y - 0.1 * x + 0.20 * (x - 0.3) ** 2 + 0.18 * (y - 0.2) ** 2
    runs.insert(
        5,
        "gloss",
        (60 + 6 * x - 5 * x**2 - 3 * y**2 + stream(code, "gloss").normal(0, 1.5, len(runs)))
        .round(0)
        .astype(int),
    )
    toml = head(code, "The best oil and gum", "How much oil and gum crumble least?", 16) + (
        '[factors.oil_g]\nlow = 10\nhigh = 34\nunit = "g"\n\n[factors.gum_g]\nlow = 2\nhigh = 7\nunit = "g"\n\n'
        '[plan]\nkind = "central composite"\nbatches_per_day = 3\npieces = 4\n'
        'tables = ["touch_checks", "tumbles", "drops", "fizz_curves", "room_log"]\n\n'
        + base_recipe(code, oil=True)
        + item("recipe.ingredients", "gum arabic", "gum arabic", "4 g", 9.0, "250 g", 'role = "other"\n')
        + '[recipe.by_factor.oil_g]\nsets = "sweet almond oil"\n\n[recipe.by_factor.gum_g]\nsets = "gum arabic"\n\n'
        '[responses.tumble_loss_pct]\nat_most = 4\nwant = "less"\nbest = 1\nworst = 5\n\n[responses.dry_h]\nat_most = 11\n\n'
        '[responses.gloss]\nlabel = "gloss by eye chart"\nunit = "points"\nscale = "difference"\nat_least = 40\n\n'
        '[responses.cost]\nwant = "less"\nbest = 0.2\nworst = 0.6\n\n'
        "[choose]\nsteps = 5\n\n" + drying(temp=17, rh=68) + '[fizz]\nwater_ml = 400\ncurve = "own"\n'
    )
    write_trial(
        target / code,
        toml,
        {
            "runs": runs,
            "touch_checks": touch_checks(code, runs, hours),
            "tumbles": tumbles(code, runs, loss),
            "drops": drops(code, runs, -0.5 * loss, pieces=6),
            "fizz_curves": fizz_curves(code, runs, 0.10 * x, gas_g=11.0),
            "room_log": room_log(code, air),
        },
    )


def blend(target):
    """Oil, alcohol and emulsifier that add up to 24 g: corners, edges and middle, twice, and the middle once more."""
    code = "blend"
    total, low, high = (
        24,
        {"oil_g": 6, "alcohol_g": 4, "emulsifier_g": 2},
        {"oil_g": 18, "alcohol_g": 16, "emulsifier_g": 14},
    )
    shares = [
        (1, 0, 0),
        (0, 1, 0),
        (0, 0, 1),
        (0.5, 0.5, 0),
        (0.5, 0, 0.5),
        (0, 0.5, 0.5),
        (1 / 3, 1 / 3, 1 / 3),
    ]
    spare = total - sum(low.values())
    points = [{n: round(low[n] + s * spare, 3) for n, s in zip(low, share)} for share in shares]
    rows = []
    for k in range(2):
        rows += [points[i] for i in stream(code, "order", str(k)).permutation(7)]
    rows.append(points[6])
    runs = lay_out(
        rows, dates("2026-09-15", "2026-09-18", "2026-09-22", "2026-09-25", "2026-09-29"), 3, apart=1.2
    )
    air = room(code, "2026-09-13", "2026-10-02", 17.0, damp=5)
    oil, spirit, emul = (((runs[n] - low[n]) / spare).to_numpy() for n in low)
    hours = dry_hours(
        code, runs, 0.35 * oil - 0.25 * spirit + 0.1 * emul - 0.5 * oil * spirit, air, median=5.0, day_sd=0.03
    )
    loss = 0.1 * oil + 0.5 * spirit - 0.3 * emul - 0.8 * oil * emul
    toml = head(
        code, "What the liquid is made of", "Which blend of oil, alcohol and emulsifier is best?", 17
    ) + (
        "".join(f'[factors.{n}]\nlow = {low[n]}\nhigh = {high[n]}\nunit = "g"\n\n' for n in low)
        + f'[plan]\nkind = "mixture"\ntotal = {total}\nrepeats = 2\nbatches_per_day = 3\nblending = "quadratic"\npieces = 4\n'
        'tables = ["touch_checks", "tumbles", "fizz_times", "room_log"]\n\n'
        '[responses.dry_h]\nat_most = 11\nwant = "less"\nbest = 3\nworst = 11\n\n[responses.tumble_loss_pct]\nat_most = 4\n\n'
        '[responses.skin_feel]\nlabel = "feel on the skin"\nunit = "points"\nscale = "difference"\nwant = "more"\nbest = 9\nworst = 2\n\n'
        + drying(temp=17, rh=70)
    )
    feel = (
        4 + 4 * oil - 1 * spirit + 2 * emul + 3 * oil * emul + stream(code, "feel").normal(0, 0.4, len(runs))
    )
    runs.insert(6, "skin_feel", feel.round(1))
    write_trial(
        target / code,
        toml,
        {
            "runs": runs,
            "touch_checks": touch_checks(code, runs, hours),
            "tumbles": tumbles(code, runs, loss),
            "fizz_times": fizz_times(code, runs, 0.2 * oil - 0.1 * spirit),
            "room_log": room_log(code, air),
        },
    )


def damp_year(target):
    """A season: one factor (with or without a fan) over forty batches, a day each, October to June; shelf and scale."""
    code = "damp-year"
    start = pd.Timestamp("2026-10-01")
    rng = stream(code, "order")
    days = [f"{start + pd.Timedelta(days=int(7 * k + rng.integers(0, 4))):%Y-%m-%d}" for k in range(40)]
    fan = [level for _ in range(20) for level in np.array(["off", "on"])[rng.permutation(2)]]
    runs = lay_out([{"fan": str(level)} for level in fan], days, 1, start=9.0)
    air = room(code, "2026-09-29", "2027-07-12", 15.5, damp=2, swing=3.5, damp_swing=9)
    on = (runs["fan"] == "on").to_numpy() * 1.0
    hours = dry_hours(code, runs, -0.18 * on, air, median=6.0, tau=0.10, day_sd=0.0)
    runs["sprays"] = stream(code, "sprays").integers(1, 5, len(runs))
    runs = runs[["run", "day", "made_at", "fan", "sprays", "note", "leave_out"]]
    some = runs[runs.index % 3 == 0]
    toml = head(
        code,
        "A damp year on the quay",
        "How long must pieces dry as the room gets damper, with and without a fan?",
        18,
    ) + (
        '[factors.fan]\nlevels = ["off", "on"]\ncontrol = "off"\n\n'
        '[plan]\nkind = "compare"\ndays = 40\nbatches_per_day = 1\npieces = 4\n'
        'tables = ["touch_checks", "weighings", "shelf", "room_log"]\n\n'
        + drying(temp=14, rh=78)
        + "[fizz]\nshelf_share = 0.8\n"
    )
    write_trial(
        target / code,
        toml,
        {
            "runs": runs,
            "touch_checks": touch_checks(code, runs, hours, looks=(1.5, 2.5, 4, 6, 8, 11, 14, 24, 32, 48)),
            "weighings": weighings(code, some, hours[::3], np.full(len(some), 2.0), pieces=2),
            "shelf": shelf(code, some, measure="share_left", fresh=1.0),
            "room_log": room_log(code, air, [("2027-01-10T02:00", "2027-01-10T07:00")]),
        },
    )


def lost(target):
    """Three ways on five days, with lost batches, left-out rows, holes, stamps for hours and a dead hygrometer."""
    code = "lost"
    levels = ["pearl", "dye", "lake"]
    days = dates("2026-11-03", "2026-11-06", "2026-11-10", "2026-11-13", "2026-11-17")
    rng = stream(code, "order")
    runs = lay_out([{"colour": levels[k]} for _ in days for k in rng.permutation(3)], days, 3, apart=1.5)
    air = room(code, "2026-11-01", "2026-11-22", 14.0, damp=10)
    of = lambda **by: runs["colour"].map(by).to_numpy()
    hours = dry_hours(code, runs, np.log(of(pearl=1, dye=1.5, lake=1.15)), air, median=5.5)
    runs.insert(
        4,
        "foam_mm",
        (of(pearl=20.0, dye=16.0, lake=19.0) + stream(code, "foam").normal(0, 1.5, len(runs)))
        .round(0)
        .astype(int)
        .astype(str),
    )
    gone = ["R05", "R13"]
    touched = touch_checks(code, runs, hours, looks=(1.5, 2.5, 4, 6, 8, 11, 14, 24), missed=0.10)
    weighed = weighings(code, runs, hours, of(pearl=1.9, dye=2.7, lake=2.1), pieces=2)
    tumbled = tumbles(code, runs, np.log(of(pearl=1, dye=1.1, lake=1.4)))
    scored = crumble_scores(code, runs, of(pearl=0, dye=0.3, lake=1.8), {"Ann": 0.5, "Bo": -0.3})
    dropped = drops(code, runs, -0.5 * np.log(of(pearl=1, dye=1.1, lake=1.4)))
    timed = fizz_times(code, runs, np.log(of(pearl=1, dye=1.05, lake=1.2)), of(pearl=9, dye=4, lake=14))
    curved = fizz_curves(code, runs, np.log(of(pearl=1, dye=1.0, lake=1.15)))
    stored = shelf(code, runs[runs["colour"] != "lake"], measure="seconds", fresh=130.0)

    runs.loc[runs["run"] == "R05", ["leave_out", "foam_mm"]] = ["tray slid into the harbour", ""]
    runs.loc[runs["run"] == "R13", ["leave_out", "foam_mm"]] = ["wrong acid weighed", ""]
    runs.loc[runs["run"] == "R08", ["note", "foam_mm"]] = ["glass knocked over before the foam was read", ""]
    wrong = touched.index[(touched["run"] == "R02") & (touched["dry"] == "no")][0]
    touched.loc[wrong, "leave_out"] = "looked at the wrong tray"
    two = (touched["run"] == "R09") & (touched["piece"] == "2") & (touched["dry"] == "yes")
    touched = touched[~two].reset_index(drop=True)  # never seen dry
    moments = dict(zip(runs["run"], runs["made_at"]))
    stamps = [moments[r] + pd.Timedelta(hours=h) for r, h in zip(touched["run"], touched["hours"])]
    touched.insert(2, "checked_at", [stamp.round("min") for stamp in stamps])
    touched = touched.drop(columns="hours")
    touched = touched[~touched["run"].isin(gone)]  # R13 was not touched, but its other readings are there
    slip = weighed.index[weighed["run"] == "R07"][4]
    weighed.loc[slip, ["mass_g", "leave_out"]] = [60.0, "a corner broke off on the scale"]
    weighed = weighed[~weighed["run"].isin(["R05", "R11"])]
    tumbled = tumbled.drop(index=tumbled.index[tumbled["run"] == "R04"][1])
    tumbled.loc[tumbled["run"] == "R10", "leave_out"] = "lid came off"
    scored = scored[~((scored["rater"] == "Bo") & (scored["run"].isin(["R06", "R12"])))]
    scored.loc[scored.index[scored["run"] == "R03"][0], "leave_out"] = "scored twice by mistake"
    timed.loc[timed.index[timed["run"] == "R01"][1], "leave_out"] = "stopwatch started late"
    timed["colour_s"] = timed["colour_s"].astype(object)
    timed.loc[timed.index[timed["run"] == "R15"][-1], "colour_s"] = ""  # none was seen
    curved.loc[(curved["run"] == "R06") & (curved["piece"] == "G2"), "leave_out"] = "the cup was bumped"
    dropped.loc[dropped.index[dropped["run"] == "R14"][2], "leave_out"] = "fell on the mat"
    without = lambda table: table[table["run"] != "R05"]
    toml = head(
        code, "A fortnight of mishaps", "Which way of colouring dries soonest, in spite of all?", 19
    ) + (
        '[factors.colour]\nlevels = ["pearl", "dye", "lake"]\ncontrol = "pearl"\n\n'
        '[lots]\n"citric acid" = ["H17", "H18"]\n\n'
        '[[deviations]]\nrun = "R13"\nwhat = "tartaric instead of citric acid"\nwhy = "the jars look alike"\n\n'
        "[responses.dry_h]\nat_most = 14\nsame_within = 1.25\n\n"
        '[responses.foam_mm]\nlabel = "foam after a minute"\nunit = "mm"\nscale = "difference"\nat_least = 12\n\n'
        + drying(temp=14, rh=78)
        + '[fizz]\ntheory_g = 9.0\nwater_ml = 400\n\n[crumble]\ndrop_method = "likelihood"\n'
    )
    write_trial(
        target / code,
        toml,
        {
            "runs": runs,
            "touch_checks": touched,
            "weighings": weighed,
            "tumbles": without(tumbled),
            "drops": without(dropped),
            "crumble_scores": without(scored),
            "fizz_times": without(timed),
            "fizz_curves": without(curved),
            "shelf": without(stored),
            "room_log": room_log(
                code, air, [("2026-11-10T10:00", "2026-11-10T15:30"), ("2026-11-20T00:00", "2026-11-23")]
            ),
        },
    )


def no_matter(target):
    """Two brands of soda on six days, nearly no difference; margins of sameness; set beside two earlier trials."""
    code = "no-matter"
    days = dates("2026-12-01", "2026-12-04", "2026-12-08", "2026-12-11", "2026-12-15", "2026-12-18")
    rng = stream(code, "order")
    runs = lay_out(
        [{"soda": ["quay", "dune"][k]} for _ in days for k in rng.permutation(2)], days, 2, apart=1.5
    )
    air = room(code, "2026-11-29", "2026-12-22", 13.5, damp=9)
    dune = (runs["soda"] == "dune").to_numpy() * 1.0
    hours = dry_hours(code, runs, 0.01 * dune, air, median=5.5, tau=0.05, day_sd=0.04)
    runs.insert(4, "ph", (6.1 + 0.01 * dune + stream(code, "ph").normal(0, 0.08, len(runs))).round(2))
    same = "".join(
        f"[responses.{name}]\nsame_within = {within}\n\n"
        for name, within in (
            ("dry_h", 1.25),
            ("weighed_dry_h", 1.25),
            ("tumble_loss_pct", 1.3),
            ("fizz_s", 1.1),
            ("colour_s", 1.3),
        )
    )
    toml = head(code, "Two sodas", "Does it matter which soda is bought?", 20) + (
        '[factors.soda]\nlevels = ["quay", "dune"]\ncontrol = "quay"\nlabel = "brand of soda"\n\n'
        '[plan]\nkind = "compare"\ndays = 6\nbatches_per_day = 2\npieces = 6\nraters = ["Ann", "Bo"]\n'
        'tables = ["touch_checks", "weighings", "tumbles", "crumble_scores", "fizz_times", "room_log"]\n\n'
        + same
        + '[responses.ph]\nlabel = "pH of the bath"\nscale = "difference"\nat_least = 5.5\nat_most = 6.8\n\n'
        + drying(temp=14, rh=76)
        + '[earlier]\ntrials = ["../ways", "../blocks"]\n'
    )
    write_trial(
        target / code,
        toml,
        {
            "runs": runs,
            "touch_checks": touch_checks(
                code, runs, hours, looks=(1.5, 2.5, 3.5, 4.5, 5.5, 6.5, 8, 10, 12, 15, 24), pieces=6
            ),
            "weighings": weighings(code, runs, hours, np.full(len(runs), 1.9)),
            "tumbles": tumbles(code, runs, 0.01 * dune, batch_sd=0.08),
            "crumble_scores": crumble_scores(code, runs, 0.0 * dune, {"Ann": 0.3, "Bo": -0.3}),
            "fizz_times": fizz_times(code, runs, 0.005 * dune, np.full(len(runs), 8.0), batch_sd=0.03),
            "room_log": room_log(code, air),
        },
    )


def again(target):
    """Eight batches that confirm what the trial `factorial` chose, two a day, beside the same factors."""
    code = "again"
    picks = [
        {"colour": "pearl", "gum_g": 6, "press": "hard"},
        {"colour": "pearl", "gum_g": 3, "press": "soft"},
    ]
    runs = lay_out(
        [picks[k] for _ in range(4) for k in (0, 1)],
        dates("2027-01-12", "2027-01-15", "2027-01-19", "2027-01-22"),
        2,
        apart=1.5,
        prefix="C",
    )
    air = room(code, "2027-01-10", "2027-01-26", 14.0, damp=6)
    effect = factorial_effects(runs)
    hours = dry_hours(code, runs, effect["dry"], air, median=4.4)
    runs.insert(6, "shade", (effect["shade"] + stream(code, "shade").normal(0, 0.35, len(runs))).round(1))
    toml = head(code, "Pearl pressed hard, once more", "Does the chosen way hold in winter?", 21) + (
        FACTORIAL_FACTORS
        + factorial_recipe(code)
        + '[responses.shade]\nlabel = "depth of colour"\nunit = "steps"\nscale = "difference"\n\n'
        + drying(temp=14, rh=75)
        + '[fizz]\nwater_ml = 400\ntheory_g = 9.0\n\n[confirms]\ntrial = "../factorial"\n'
    )
    write_trial(
        target / code,
        toml,
        {
            "runs": runs,
            "touch_checks": touch_checks(code, runs, hours, looks=(1.5, 2.5, 4, 6, 8, 11, 14, 24)),
            "tumbles": tumbles(code, runs, effect["loss"]),
            "fizz_times": fizz_times(code, runs, effect["fizz"], np.full(len(runs), 8.0)),
            "fizz_curves": fizz_curves(code, runs, effect["fizz"], pieces=2),
            "room_log": room_log(code, air),
        },
    )


TRIALS = {
    "ways": ways,
    "blocks": blocks,
    "factorial": factorial,
    "fraction": fraction,
    "split": split,
    "bend": bend,
    "blend": blend,
    "damp-year": damp_year,
    "lost": lost,
    "no-matter": no_matter,
    "again": again,
}

if __name__ == "__main__":
    into = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "trials"
    for make in TRIALS.values():
        make(into)
