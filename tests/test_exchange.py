"""What a report's kernel and the process that started it hand each other: the trial, and undrawn pictures."""

from __future__ import annotations

import pickle
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from fizzlab.models.plotting import house_style, new_figure
from fizzlab.report import run
from fizzlab.report.drawing import Drawing
from fizzlab.report.page import HANDED, HANDED_TYPE, Bundle, Picture
from fizzlab.trial.folder import load
from fizzlab.trial.opening import EXCHANGE, READ

MakeTrial = Callable[..., Path]


@pytest.fixture
def pictures(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(EXCHANGE, str(tmp_path / "exchange"))
    folder = tmp_path / "exchange" / "pictures"
    folder.mkdir(parents=True)
    return folder


def picture(label: str = "Foam, $mm", formatter: Any = "{x:g}") -> Picture:
    with house_style():
        figure, axes = new_figure()
        axes.plot([1, 2, 3], [2, 1, 3])
        axes.xaxis.set_major_formatter(formatter)
        axes.set(xlabel=label)
    return Picture("foam", figure, "Seen.", "Read.")


def put(folder: Path, *bundles: Bundle) -> list[Any]:
    """What a notebook shows once its pictures were drawn."""
    outputs = [{"data": data, "metadata": about} for data, about in bundles]
    with Drawing(folder) as drawn:
        drawn.take({"outputs": outputs})
        assert drawn.put() == bool(bundles)
    return outputs


def test_a_picture_drawn_by_the_other_process_is_the_same_picture(
    pictures: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    handed = [picture(label)._repr_mimebundle_() for label in ("Foam, $mm", "Froth, {x}")]
    assert [list(data) for data, _ in handed] == [[HANDED_TYPE], [HANDED_TYPE]]
    monkeypatch.delenv(EXCHANGE)
    for output, label in zip(put(pictures, *handed), ("Foam, $mm", "Froth, {x}"), strict=True):
        data, about = picture(label)._repr_mimebundle_()
        assert (output["data"], output["metadata"]) == (data, about)
        assert "image/svg+xml" in data["text/html"]


def test_what_moves_together_here_moves_together_there(pictures: Path) -> None:
    picture()._repr_mimebundle_()
    figure = pickle.loads(next(pictures.iterdir()).read_bytes()).figure
    followers = [each for artist in figure.findobj() for each in artist.get_transform()._parents.items()]
    assert len(followers) > 100
    assert all(address == id(follower()) for address, follower in followers)


def test_what_cannot_be_handed_on_is_drawn_where_it_is(pictures: Path) -> None:
    data, about = picture(formatter=lambda value, _: f"{value}")._repr_mimebundle_()
    assert HANDED_TYPE not in data
    assert about == {"fizzlab": "foam"}
    assert data["image/png"]
    assert not list(pictures.glob(f"*{HANDED}"))


def test_a_picture_cut_off_in_writing_costs_no_other(pictures: Path) -> None:
    names = [picture()._repr_mimebundle_()[0][HANDED_TYPE]]
    (pictures / "writing").write_bytes(b"cut off")
    names += [picture()._repr_mimebundle_()[0][HANDED_TYPE] for _ in range(2)]
    assert sorted(path.name for path in pictures.iterdir()) == sorted(set(names))
    assert len(set(names)) == 3


def test_without_a_folder_for_them_pictures_are_drawn_at_once(pictures: Path) -> None:
    pictures.rmdir()
    assert "image/png" in picture()._repr_mimebundle_()[0]
    with Drawing(pictures) as drawn:
        drawn.take({"outputs": [{"output_type": "stream", "text": "a line"}]})
        assert not drawn.put()


def test_a_picture_that_cannot_be_drawn_leaves_its_sentence(
    pictures: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.undo()  # what fails is to be shown here, not raised
    (pictures / f"000{HANDED}").write_bytes(b"cut off")
    (output,) = put(pictures, ({HANDED_TYPE: f"000{HANDED}"}, {}))
    assert "could not be worked out" in output["data"]["text/html"]


def test_the_trial_that_was_read_is_not_read_again(
    make_trial: MakeTrial, pictures: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = make_trial()
    trial = load(folder)
    marked = replace(trial, settings=trial.settings.model_copy(update={"title": "As it was read"}))
    (pictures.parent / READ).write_bytes(pickle.dumps(marked))
    monkeypatch.chdir(folder)
    taken = load("../quay")
    assert not (pictures.parent / "trial.toml").exists()  # else it were a trial beside others
    assert taken.settings.title == "As it was read"
    assert taken.folder == folder.resolve()
    monkeypatch.delenv(EXCHANGE)
    assert load(folder).settings.title == trial.settings.title


def test_another_folder_is_read_itself(make_trial: MakeTrial, pictures: Path, tmp_path: Path) -> None:
    other = load(make_trial()).folder.rename(tmp_path / "other")
    (pictures.parent / READ).write_bytes(pickle.dumps(load(make_trial())))
    assert load(other).folder == other


def test_a_kernel_that_cannot_begin_does_not_go_on_in_another_folder(tmp_path: Path) -> None:
    code = "from IPython.core.interactiveshell import InteractiveShell as S; s = S.instance(); "
    code += f"import sys; print(s.run_cell({run.BEGIN!r}.format(sys.argv[1])).success)"
    for place, said in ((tmp_path, "True"), (tmp_path / "none", "")):
        command = [sys.executable, "-c", code, str(place)]
        done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path)
        assert (done.returncode, done.stdout.strip()) == (0 if said else 1, said)


def test_pictures_are_handed_on_where_a_core_is_free(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run, "cores", lambda: 2)
    assert run.Kernels().draws
    assert not run.Kernels(alone=False).draws
    monkeypatch.setattr(run, "cores", lambda: 1)
    assert not run.Kernels().draws


def test_a_picture_is_drawn_without_seaborn_and_scipy(pictures: Path) -> None:
    picture()
    code = "import sys; from fizzlab.report import drawing as d; from pathlib import Path; data, about = "
    code += f"d._draw(Path({str(next(pictures.glob('*')))!r})); print(about['fizzlab'], *sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    name, *loaded = done.stdout.split()
    assert name == "foam"
    assert not {"seaborn", "scipy"} & set(loaded)
