"""`python -m macrocheck`: the same command."""

from macrocheck.cli import main

main()
