"""`fizzlab import`: asks before it writes, writes all or nothing, and nothing twice. Exports are invented."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from sound_trial import LOG, TOML

from fizzlab.cli.main import main
from fizzlab.trial import placing
from fizzlab.trial.folder import load

MakeTrial = Callable[..., Path]

EXPORT = (
    "Device: invented\n\nDatum;Uhrzeit;Temperatur (°C);Feuchte (%);Taupunkt (°C)\n"
    "07.01.2026;00:00;14,5;70,5;9,2\n07.01.2026;23:30;14,0;71,0;8,8\n13.01.2026;00:00;13,5;72,0;8,6\n"
)


def _run(*arguments: object, says: str | None = None) -> Result:
    return CliRunner().invoke(main, ["import", *map(str, arguments)], input=says)


def _state(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.fixture
def export(tmp_path: Path) -> Path:
    path = tmp_path / "shed.csv"
    path.write_bytes(EXPORT.encode("utf-16"))
    return path


def test_an_export_is_shown_confirmed_and_added(export: Path, make_trial: MakeTrial) -> None:
    folder = make_trial()
    before = _state(folder)
    result = _run(folder, export, says="y\n")
    assert result.exit_code == 0, result.output
    assert "“Temperatur (°C)”, °C" in result.output
    assert (
        "row 4: 07.01.2026 | 00:00 | 14,5 | 70,5  is  2026-01-07 00:00:00, 14.5 °C, 70.5 %" in result.output
    )
    assert "not read     Taupunkt (°C)" in result.output
    after = _state(folder)
    assert after["exports/shed.csv"] == export.read_bytes()
    assert (
        after["room_log.csv"]
        == (LOG + "2026-01-07T00:00,14.5,70.5\n2026-01-07T23:30,14,71\n2026-01-13T00:00,13.5,72\n").encode()
    )
    assert after["trial.toml"].startswith(before["trial.toml"])
    assert load(folder).settings.imports["hygrometer"].dates == "day first"
    assert {
        name: data
        for name, data in after.items()
        if name not in ("exports/shed.csv", "room_log.csv", "trial.toml")
    } == {name: data for name, data in before.items() if name not in ("room_log.csv", "trial.toml")}


def test_the_same_export_twice_changes_nothing(export: Path, make_trial: MakeTrial) -> None:
    folder = make_trial()
    assert _run(folder, export, "--yes").exit_code == 0
    before = _state(folder)
    again = _run(folder, export, "--yes")
    assert again.exit_code == 0
    assert "Read with the mapping hygrometer of trial.toml." in again.output
    assert "Nothing new" in again.output
    assert _state(folder) == before


def test_the_same_answers_again_make_no_second_mapping(export: Path, make_trial: MakeTrial) -> None:
    folder = make_trial()
    for zone in ("Europe/Berlin", "Europe/Berlin", "Europe/London"):
        assert _run(folder, export, "--zone", zone, "--yes").exit_code == 0
    assert list(load(folder).settings.imports) == ["hygrometer", "hygrometer_2"]
    refused = _run(folder, export, "--yes")
    assert refused.exit_code == 2
    assert "more than one mapping of trial.toml fits: hygrometer, hygrometer_2." in refused.stderr


def test_a_longer_export_of_the_same_name_is_kept_beside_the_first(
    export: Path, make_trial: MakeTrial
) -> None:
    folder = make_trial(room_log__csv=None)
    assert _run(folder, export, "--yes").exit_code == 0
    export.write_text(EXPORT + "14.01.2026;00:00;13,0;73,0;8,5\n")
    result = _run(folder, export, "--yes")
    assert "To be added to room_log.csv: 1 reading; 3 stand there already." in result.output
    assert sorted(path.name for path in (folder / "exports").iterdir()) == ["shed-2.csv", "shed.csv"]
    assert len(load(folder).rows("room_log")) == 4


@pytest.mark.parametrize("says", ["n\n", "\n", ""])
def test_nothing_is_written_unless_confirmed(says: str, export: Path, make_trial: MakeTrial) -> None:
    folder = make_trial()
    before = _state(folder)
    result = _run(folder, export, says=says)
    assert result.exit_code == 2
    assert "othing was written" in result.stderr
    assert _state(folder) == before


def test_what_is_ambiguous_is_asked_and_kept(export: Path, make_trial: MakeTrial) -> None:
    folder = make_trial()
    export.write_text("Time,Temp,RH\n03/02/2026 08:00,41,60\n03/02/2026 09:00,42,61\n")
    before = _state(folder)
    refused = _run(folder, export, "--yes")
    assert refused.exit_code == 2
    assert 'Say it, as in --dates "day first".' in refused.stderr
    assert 'Say it, as in --temp-unit "°C".' in refused.stderr
    assert _state(folder) == before
    told = ["--dates", "month first", "--temp-unit", "F"]
    asked = _run(folder, export, "--mapping", "barn", *told, says="y\n")
    assert asked.exit_code == 0, asked.output
    mapping = load(folder).settings.imports["barn"]
    assert (mapping.dates, mapping.temp_unit) == ("month first", "°F")
    assert "2026-03-02T08:00,5,60" in (folder / "room_log.csv").read_text()
    # now it is settled, --yes takes it
    export.write_text("Time,Temp,RH\n03/02/2026 10:00,41,60\n")
    assert _run(folder, export, "--yes").exit_code == 0
    again = _run(folder, export, "--mapping", "barn", "--dates", "day first", "--yes")
    assert again.exit_code == 2
    assert "the mapping barn stands in trial.toml already" in again.stderr


def test_comments_and_line_ends_of_the_settings_stay(export: Path, make_trial: MakeTrial) -> None:
    toml = "# mine\r\n" + TOML.replace("\n", "\r\n").rstrip() + "  # last line, without an end"
    folder = make_trial(trial__toml=toml)
    assert _run(folder, export, "--yes").exit_code == 0
    written = (folder / "trial.toml").read_bytes().decode()
    assert written.startswith(toml)
    assert "\n" not in written.replace("\r\n", "")
    assert tomllib.loads(written)["imports"]["hygrometer"]["temp"] == "Temperatur (°C)"


def test_a_log_of_a_spreadsheet_keeps_its_own_way(export: Path, make_trial: MakeTrial) -> None:
    log = "\ufefftime;temp_c;rh_pct\r\n2026-01-06T08:00;15,0;66,0\r\n"
    folder = make_trial(room_log__csv=log)
    assert _run(folder, export, "--yes").exit_code == 0
    assert (folder / "room_log.csv").read_bytes().decode() == log + (
        "2026-01-07T00:00;14,5;70,5\r\n2026-01-07T23:30;14;71\r\n2026-01-13T00:00;13,5;72\r\n"
    )


@pytest.mark.parametrize(
    ("files", "arguments", "says"),
    [
        ({"trial__toml": None}, [], "trial.toml: it is not in the folder quay."),
        ({"trial__toml": TOML + "imports = {}\n"}, [], "trial.toml"),
        ({"room_log__csv": "time,temp_c,rh_pct\nnoon,1,2\n"}, [], "room_log.csv, row 2, column time: “noon”"),
        ({}, ["--mapping", "../up"], "“../up” cannot be the name of a mapping."),
        ({}, ["--zone", "Mars/Base"], "option --zone: “Mars/Base” is not one that there is."),
        (
            {},
            ["--temp", "Temperature"],
            "option --temp: “Temperature” is not one that there is. Did you mean “Temperatur (°C)”?",
        ),
        ({".~lock.room_log.csv#": ""}, [], "room_log.csv: it is open in a spreadsheet."),
    ],
)
def test_problems_are_said_and_nothing_is_written(
    files: dict[str, str | None], arguments: list[str], says: str, export: Path, make_trial: MakeTrial
) -> None:
    folder = make_trial(**files)
    before = _state(folder)
    result = _run(folder, export, "--yes", *arguments)
    assert result.exit_code == 2, result.output
    assert says in result.stderr
    assert _state(folder) == before


def test_problems_of_export_and_log_are_said_together(export: Path, make_trial: MakeTrial) -> None:
    folder = make_trial(room_log__csv="time,temp_c,rh_pct\nnoon,1,2\n")
    export.write_text(EXPORT.replace("14,0;", "cold;"))
    result = _run(folder, export, "--yes")
    assert result.exit_code == 2
    assert "shed.csv, row 5, column Temperatur (°C): “cold” is not a number." in result.stderr


@pytest.mark.parametrize("failing", ["exports", "trial.toml", "room_log.csv"])
def test_a_failure_half_way_leaves_the_folder_as_it_was(
    failing: str, export: Path, make_trial: MakeTrial, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = make_trial()
    before = _state(folder)
    real = os.replace

    def refuse(source: Path, target: Path) -> None:
        if str(target).endswith(failing) and "undo" not in str(source):
            raise OSError(28, "No space left on device", str(target))
        real(source, target)

    monkeypatch.setattr(placing.os, "replace", refuse)
    result = _run(folder, export, "--yes")
    assert result.exit_code == 2
    assert "No space left on device" in result.stderr
    assert _state(folder) == before
    assert sorted(path.name for path in folder.iterdir()) == sorted(before)
