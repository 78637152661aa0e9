"""`python -m crankclock`."""

from crankclock.cli import main

main()
