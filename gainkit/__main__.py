"""`python -m gainkit` is the command line, where its own command is not on the path."""

from __future__ import annotations

from gainkit.cli import main

if __name__ == "__main__":
    main()
