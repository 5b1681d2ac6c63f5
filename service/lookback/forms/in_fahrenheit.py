"""A report's document in degrees Fahrenheit; its pictures are drawn so already."""

from dataclasses import replace
from typing import Final

from service.lookback.degrees import is_of_a_difference, text_in_fahrenheit
from service.lookback.forms.document import Block, Bullets, Cell, Document, Paragraph, Section, Table

IN_FAHRENHEIT: Final = (
    "Temperatures with a unit are written in degrees Fahrenheit; differences of temperature are scaled. They are "
    "stored and judged in degrees Celsius: figures without a unit, degree-days, and the data files (JSON and CSV) hold "
    "those."
)


def document_in_fahrenheit(document: Document) -> Document:
    """Return a document with its temperatures in °F."""
    about = tuple((term, text_in_fahrenheit(said)) for term, said in document.about)
    sections = tuple(Section(one.title, tuple(_block(block) for block in one.blocks)) for one in document.sections)
    return replace(document, about=about, sections=sections)


def _block(block: Block) -> Block:
    match block:
        case Paragraph():
            return replace(block, text=text_in_fahrenheit(block.text))
        case Bullets():
            return replace(block, items=tuple(text_in_fahrenheit(item) for item in block.items))
        case Table():
            return replace(block, rows=tuple(_row(row, block.heads) for row in block.rows))
        case _:
            return block


def _row(row: tuple[Cell, ...], heads: tuple[str, ...]) -> tuple[Cell, ...]:
    """Return a row; a cell is of a difference where the row's first words or the column's head say so."""
    label = is_of_a_difference(next((cell.text for cell in row if "°C" not in cell.text), ""))
    return tuple(
        replace(cell, text=text_in_fahrenheit(cell.text, is_difference=label or is_of_a_difference(head)))
        for cell, head in zip(row, heads, strict=True)
    )
