"""A search over the description of the addresses for programs: no fault, answers as described.

`schemathesis` makes calls from the description, those that fit it and those that do not. Here a few
for each address, always the same ones; `st run ADDRESS/api/v1/openapi.json` goes on as long as it
is left to.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings

import slow_work
from evenfall.web.api import ROUTERS
from evenfall.web.api_description import description
from served import serving

SAID: dict[str, Any] = description(ROUTERS)
MODES = [
    (f"{method.upper()} {path}", mode)
    for path, methods in SAID["paths"].items()
    for method, said in methods.items()
    for mode in ("positive", "negative")
    if mode == "positive" or "requestBody" in said  # else hardly anything can be wrong
]


@pytest.fixture(scope="module")
def addresses() -> dict[str, Any]:
    """Return every address by its name; the search is loaded by whoever makes one of its calls."""
    import schemathesis

    read: Any = schemathesis.openapi.from_dict(SAID)
    return {found.ok().label: found.ok() for found in read.get_all_operations()}


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Return the address of a server whose archive is empty, and which leaves tasks waiting."""
    with serving(tmp_path_factory.mktemp("search") / "archive", do=slow_work.nothing) as address:
        yield address


@pytest.mark.quick(2)
@pytest.mark.parametrize(("name", "mode"), MODES)
def test_every_address_answers_as_it_is_described(
    name: str, mode: str, addresses: dict[str, Any], here: str
) -> None:
    from schemathesis import Case, GenerationMode, checks

    seen: list[Any] = [checks.not_a_server_error, checks.status_code_conformance]
    seen += [checks.content_type_conformance, checks.response_schema_conformance]

    @settings(
        max_examples=2,
        derandomize=True,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(addresses[name].as_strategy(generation_mode=GenerationMode(mode)))
    def search(case: Case[Any]) -> None:
        case.validate_response(case.call(base_url=here), checks=seen)

    search()
