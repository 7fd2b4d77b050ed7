"""``python -m simwrap`` is the command line."""

from simwrap.cli import main

main()
