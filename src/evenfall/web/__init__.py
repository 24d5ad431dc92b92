"""The pages: a door to the use cases for one person, in the browser of this machine.

It parses, makes one call and shows. `evenfall serve` starts it (`web/command.py`); nothing imports
it, and the command line loads it by its name.
"""
