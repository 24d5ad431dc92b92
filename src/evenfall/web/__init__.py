"""The pages: a door to the use cases in the browser, for one person or for a team.

It parses, makes one call and shows. `evenfall serve` starts it (`web/command.py`); nothing imports
it, and the command line loads it by its name.
"""
