"""The figures of `/metrics`, against those that the operator's guide tells of."""

import httpx
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from tests.documents import document


def figures_in_the_guide() -> dict[str, str]:
    """Return the kind of each."""
    rows = document("docs/operators-guide.md").rows()
    return {row[0].strip("`"): row[1] for row in rows if row[0].startswith("`wardian_")}


def figures_at(url: str) -> dict[str, str]:
    """Return the kind of each that a process answers with and has a value for."""
    text = httpx.get(f"{url}/metrics", timeout=10).text
    return {family.name: family.type for family in text_string_to_metric_families(text) if family.samples}
