"""Frozen data and its plain form for JSON: there and back in one way, from the fields themselves.

A class of `Content` makes each field by a function of `evenfall.codec.forms`, which says what a
file may hold there. From that come what is written, what is accepted, the JSON Schema and the
tables of the reference page. Arrays are read-only; two objects are equal, and hash alike, where
their content is.

Examples
--------
>>> parse_json(b'{"a": [1, null]}')
{'a': [1, None]}
>>> import numpy as np
>>> plain(np.array([1.0, float("nan")]))
[1.0, None]
>>> import evenfall as ef
>>> issubclass(ef.Plan, FileContent), issubclass(ef.Item, Content), ef.Plan.KIND
(True, True, 'plan')
"""

from evenfall.codec.content import Content, FileContent, plain, with_words
from evenfall.codec.parsing import parse_json

__all__ = ["Content", "FileContent", "parse_json", "plain", "with_words"]
