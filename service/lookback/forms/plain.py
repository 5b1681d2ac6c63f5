"""A document as plain values: what the typesetter and the templates are given."""

from collections.abc import Callable
from typing import Any

from service.lookback.forms.document import Block, Bullets, Document, Paragraph, Picture, Table

Plain = dict[str, Any]


def plain_document(document: Document, written: Callable[[str], str] = lambda said: said) -> Plain:
    """Return a document as JSON values.

    Parameters
    ----------
    document : Document
    written : callable
        What becomes of each text: characters that a font lacks may be written otherwise.
    """
    return {
        "title": written(document.title),
        "about": [[written(term), written(said)] for term, said in document.about],
        "fingerprint": document.fingerprint,
        "key": document.key,
        "sections": [
            {"title": written(section.title), "blocks": [_block(block, written) for block in section.blocks]}
            for section in document.sections
        ],
    }


def _block(block: Block, written: Callable[[str], str]) -> Plain:
    if isinstance(block, Paragraph):
        return {"type": "paragraph", "text": written(block.text), "style": block.style}
    if isinstance(block, Bullets):
        return {"type": "bullets", "title": written(block.title), "points": [written(item) for item in block.items]}
    if isinstance(block, Picture):
        said = (written(block.svg), written(block.alt), written(block.caption))
        return {"type": "picture"} | dict(zip(("svg", "alt", "caption"), said, strict=True))
    return _table(block, written)


def _table(table: Table, written: Callable[[str], str]) -> Plain:
    return {
        "type": "table",
        "caption": written(table.caption),
        "heads": [written(head) for head in table.heads],
        "widths": list(table.widths),
        "numbers": sorted(table.numbers),
        "rows": [
            [{"text": written(cell.text), "mark": cell.mark, "day": cell.day} for cell in row] for row in table.rows
        ],
    }
