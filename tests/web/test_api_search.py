"""A search over the description of the addresses for programs: no fault, answers as described.

`schemathesis` makes calls from the description, those that fit it and those that do not. Here a few
for each address, always the same ones; `st run ADDRESS/api/v1/openapi.json` goes on as long as it
is left to.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis import Case, GenerationMode
from schemathesis.checks import (
    content_type_conformance,
    not_a_server_error,
    response_schema_conformance,
    status_code_conformance,
)

from evenfall.web.api import router
from evenfall.web.api_description import description
from served import serving

CHECKS: list[Any] = [
    *(not_a_server_error, status_code_conformance),
    *(content_type_conformance, response_schema_conformance),
]
SAID: Any = schemathesis.openapi.from_dict(description(router))
ADDRESSES = [found.ok() for found in SAID.get_all_operations()]
MODES = [
    (address, mode)
    for address in ADDRESSES
    for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE)
    if mode == GenerationMode.POSITIVE or list(address.body)  # else hardly anything can be wrong
]


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Return the address of a server whose archive is empty, and which leaves tasks waiting."""
    with serving(tmp_path_factory.mktemp("search") / "archive", do=_nothing) as address:
        yield address


def _nothing(*_args: object) -> None:
    """Do a task: its process ends at once, as one that was killed does."""


@pytest.mark.parametrize(
    ("address", "mode"), MODES, ids=lambda one: getattr(one, "label", str(one))
)
def test_every_address_answers_as_it_is_described(
    address: Any, mode: GenerationMode, here: str
) -> None:
    @settings(
        max_examples=2,
        derandomize=True,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(address.as_strategy(generation_mode=mode))
    def search(case: Case[Any]) -> None:
        case.validate_response(case.call(base_url=here), checks=CHECKS)

    search()
