"""`python -m reconcile` is the command `reconcile`."""

from reconcile.cli import main

main()
