"""How `sphinx-build -c docs . site` makes the site: README, docs/, docstrings, and the notebooks, run.

The source is the whole repository, so that a link between pages leads where it does there. No page asks the
network for anything.
"""

import tomllib
from pathlib import Path

with (Path(__file__).parents[1] / "pyproject.toml").open("rb") as file:
    _project = tomllib.load(file)["project"]

project, version = _project["name"], _project["version"]
extensions = ["myst_nb", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
root_doc = "docs/site"
# the forms (bench, setup, start) are dead without a kernel behind them
_notebooks = ["cure", "crumble", "effects", "fizz", "plan", "season", "trial_report"]
include_patterns = ["*.md", "docs/**.md", *(f"notebooks/{name}.ipynb" for name in _notebooks)]

html_theme = "furo"
html_title = f"fizzlab {version}"
html_show_copyright = False
html_copy_source = False
myst_heading_anchors = 4
myst_enable_extensions: list[str] = []  # no page has formulas that need a script from elsewhere
napoleon_google_docstring = False
autodoc_typehints = "description"
autodoc_member_order = "bysource"
nb_execution_mode = "force"
nb_execution_timeout = 180
nb_execution_raise_on_error = True
suppress_warnings = ["mystnb.unknown_mime_type"]  # what a part hands on to the report beside what it shows
nb_merge_streams = True
nb_ipywidgets_js: dict[str, dict[str, str]] = {}  # else every page loads two scripts from elsewhere
