"""`python -m evenfall.cli` is the command line too."""

from evenfall.cli import main

if __name__ == "__main__":
    main(prog_name="evenfall")
