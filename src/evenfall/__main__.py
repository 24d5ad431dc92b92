"""`python -m evenfall` is the command line."""

from evenfall.cli import main

if __name__ == "__main__":
    main(prog_name="evenfall")
