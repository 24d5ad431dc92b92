"""The command line, as `evenfall` or `python -m evenfall`; it can be stopped as it starts too."""

import os


def main() -> None:
    """Load the command line and run it."""
    try:
        from evenfall.cli import main as run
    except KeyboardInterrupt:
        os.write(2, b"Stopped; nothing was written.\n")
        os._exit(130)
    run(prog_name="evenfall")


if __name__ == "__main__":
    main()
