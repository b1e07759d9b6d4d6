"""The interface's own description, fuzzed: nothing ends in a 500, and all answers are as told."""

import io
import os
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from page_shop import jpeg, served

from grindcheck.record import checks, knives, vault
from grindcheck.record.entries import KnifeFacts

schemathesis = pytest.importorskip("schemathesis", reason="schemathesis isn't installed")

conforms = pytest.importorskip("schemathesis.specs.openapi.checks")

EXAMPLES = int(os.environ.get("GRINDCHECK_FUZZ", "30"))  # of each operation; the seed is fixed


@pytest.fixture(scope="module")
def shop(tmp_path_factory) -> Iterator[tuple[str, dict[str, str]]]:
    """Serve a record with a knife and a check, and return the ids that there are."""
    home = tmp_path_factory.mktemp("fuzz")
    with pytest.MonkeyPatch.context() as patch, served(home) as (base, found):
        patch.setenv("GRINDCHECK_HOME", str(home))
        knife = knives.add_knife(found.record, KnifeFacts(name="k"))
        sha = vault.add_photo(found.record, io.BytesIO(jpeg())).sha256
        check = checks.add_check(found.record, knife.id, "photos", photos=[(sha, "x.jpg", "face")])
        yield base, {"knife_id": knife.id, "check_id": check.id, "sha256": sha}


def operations(base: str):
    schema = schemathesis.openapi.from_url(f"{base}/api/openapi.json")
    return [found.ok() for found in schema.get_all_operations()]


def fuzzed(cases, base: str, there: dict[str, str]) -> set[int]:
    """Send cases and return the statuses that came."""
    came = set()

    @settings(
        max_examples=EXAMPLES,
        derandomize=True,
        deadline=None,
        database=None,
        phases=(Phase.explicit, Phase.generate),
        suppress_health_check=list(HealthCheck),
    )
    @given(case=cases, known=st.booleans())
    def sent(case, known):
        if known:  # ids that exist, so that more than 404 is tried
            for name in set(there) & set(case.path_parameters or {}):
                case.path_parameters[name] = there[name]
            photos = case.body.get("photos") if isinstance(case.body, dict) else None
            for photo in photos if isinstance(photos, list) else ():
                if isinstance(photo, dict) and "sha256" in photo:
                    photo["sha256"] = there["sha256"]
        answer = case.call(headers={"origin": base})
        came.add(answer.status_code)
        case.validate_response(
            answer,
            checks=[
                schemathesis.checks.not_a_server_error,
                conforms.status_code_conformance,
                conforms.response_schema_conformance,
            ],
        )

    sent()
    return came


def test_every_operation_answers_as_it_says(shop):
    base, there = shop
    came: dict[str, set[int]] = {}
    for one in operations(base):
        for mode in schemathesis.GenerationMode:  # what the description allows, and what it doesn't
            came.setdefault(one.label, set()).update(
                fuzzed(one.as_strategy(generation_mode=mode), base, there)
            )
    assert set(came) == {
        "GET /api/knives", "POST /api/knives", "GET /api/knives/{knife_id}",
        "GET /api/knives/{knife_id}/checks",
        "POST /api/knives/{knife_id}/checks", "GET /api/checks/{check_id}", "POST /api/photos",
    }  # fmt: skip
    assert 201 in came["POST /api/knives"]  # what is right gets through
    assert 200 in came["GET /api/knives/{knife_id}"]
    assert not {status for all_that in came.values() for status in all_that if status >= 500}
