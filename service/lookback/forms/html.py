"""A report as one HTML file that needs nothing else: it carries its pictures, its style and its data."""

from functools import cache
from importlib import resources
from typing import Final

import orjson
from jinja2 import Environment, StrictUndefined, Template

from service.lookback.bodies import Body
from service.lookback.forms.document import Document
from service.lookback.forms.plain import plain_document

_ESCAPED: Final = str.maketrans({"<": "\\u003c", ">": "\\u003e", "&": "\\u0026"})
"""In JSON these mean the same, and cannot end the element that holds it."""


@cache
def _template() -> Template:
    source = resources.files("service.lookback.forms").joinpath("report.html").read_text("utf-8")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return environment.from_string(source)


def html_of(document: Document, report: Body) -> bytes:
    """Return a document as a self-contained page; the report itself stands in it as JSON."""
    json = orjson.dumps(report).decode().translate(_ESCAPED)
    return _template().render(document=plain_document(document), json=json).encode()
