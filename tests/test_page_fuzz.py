"""The interface's own description, fuzzed: nothing that can be sent ends in a 500."""

import os

import pytest
from hypothesis import HealthCheck, Phase, settings
from page_shop import HOST, SAMPLES, open_shop

schemathesis = pytest.importorskip("schemathesis", reason="schemathesis isn't installed")

from grindcheck.page.app import make_app  # noqa: E402, F401

EXAMPLES = int(os.environ.get("GRINDCHECK_FUZZ", "25"))
