"""`python -m indexhole`: the same as the `indexhole` command."""

from indexhole.cli.main import main

main()
