"""`python -m dyelight.cli`, for where the installed command is not on the path."""

from .app import main

main()
