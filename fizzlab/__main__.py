"""`python -m fizzlab`: the command."""

from fizzlab.cli.main import main

main()
