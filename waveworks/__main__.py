"""`python -m waveworks` is the command line."""

from waveworks.cli import main

main()
