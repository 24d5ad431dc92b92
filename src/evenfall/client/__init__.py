"""The same use cases, carried out by a server: same requests, same outcomes, same errors.

`connect` gives an object whose functions have the names of those of `import evenfall`:

    import evenfall as ef

    there = ef.connect("https://bench.example:8417", token="…")
    outcome = there.plan(ef.PlanRequest(ef.Source("before.csv"), ef.Source("spec.toml")))
    outcome.plan, outcome.findings, outcome.pictures("in")
    there.archive().show("UY-0417")
"""

from evenfall.client.connection import Connection, connect

__all__ = ["Connection", "connect"]
