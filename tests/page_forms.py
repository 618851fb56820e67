"""Forms of pages for tests without a browser."""

from __future__ import annotations

import re
from typing import Any

from flask.testing import FlaskClient


def form_key(client: FlaskClient, path: str, **options: Any) -> str:
    """The key of the forms on a page, as the client's browser would send it."""
    answer = client.get(path, **options)
    found = re.search(r'name="form_key" value="([0-9a-f]+)"', answer.text)
    assert found, answer.text
    return found[1]
