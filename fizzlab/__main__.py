"""`python -m fizzlab`: the command, which takes no other module from the folder that it is called in."""

import sys
from pathlib import Path

if not sys.flags.safe_path and Path(sys.path[0]).resolve() != Path(__file__).resolve().parents[1]:
    del sys.path[0]

from fizzlab.cli.main import main

main()
