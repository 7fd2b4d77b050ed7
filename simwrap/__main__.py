"""``python -m simwrap`` is the command line."""

from simwrap.cli.app import main

main()
