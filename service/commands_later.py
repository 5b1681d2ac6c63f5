"""Commands that are imported when they are run: whoever runs one does not wait for the libraries of all the others."""

import gc
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from importlib import import_module
from typing import Any, NamedTuple

import typer
from typer.core import TyperCommand, TyperGroup


class Later(NamedTuple):
    """Where a command stands, and what the list of commands says of it."""

    place: str
    """``module:name`` of a function, or of a `typer.Typer` with commands of its own."""
    summary: str
    """The function's docstring, or the Typer's help, told without importing it."""

    def load(self, name: str) -> Any:  # noqa: ANN401 - a command's type is private to typer
        """Import the command and return it by the name that it has in its group."""
        module, _, attribute = self.place.partition(":")
        with _without_collecting():
            found = getattr(import_module(module), attribute)
        group = typer.Typer(add_completion=False)
        if isinstance(found, typer.Typer):
            group.add_typer(found, name=name)
        else:
            group.command(name)(found)
        return typer.main.get_group(group).commands[name]


@contextmanager
def _without_collecting() -> Iterator[None]:
    """Look for no garbage meanwhile: modules make none, and looking through all of them takes a fifth of the start."""
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


def group_of(commands: Mapping[str, Later]) -> type[TyperGroup]:
    """Return the class of a group that has these commands, in this order."""

    class Group(TyperGroup):
        """Knows its commands by name and summary; the one that is run is imported."""

        def __init__(self, **attributes: Any) -> None:  # noqa: ANN401 - as typer gives them
            super().__init__(**attributes)
            self.commands = {name: TyperCommand(name, help=later.summary) for name, later in commands.items()}

        def resolve_command(self, ctx: Any, args: list[str]) -> Any:  # noqa: ANN401 - a context's type is private to typer
            """Return name, command and remaining words of what is to be run."""
            name, _, remaining = super().resolve_command(ctx, args)
            return name, commands[name].load(name) if name else None, remaining

    return Group
