"""`python -m evenbench`: the command line."""

from __future__ import annotations

from evenbench.cli import main

if __name__ == "__main__":
    main(prog_name="evenbench")
