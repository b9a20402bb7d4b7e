"""`python -m wheelpit` is the `wheelpit` command."""

from wheelpit.cli import main

main(prog_name="wheelpit")
