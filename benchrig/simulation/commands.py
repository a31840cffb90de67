"""The commands of a simulated SCPI instrument, found by any spelling of their headers."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from benchrig.simulation.scpi import (
    Datum,
    Scale,
    ScpiError,
    boolean,
    choice,
    expand,
    forms,
    nr1,
    nr3,
)

Parameters = Sequence[Datum]
Handler = Callable[[Parameters], str | bytes | None]


@dataclass(frozen=True)
class Command:
    """One header, with what it does. A query's header ends in ``?``.

    `waits`: it is held back until nothing is pending any more (IEEE 488.2 12.5).
    `then` is executed after `run`, so that ``READ?`` can measure first and fetch later.
    """

    header: str
    run: Handler
    least: int = 0
    most: int = 0
    waits: bool = False
    then: Command | None = None


def numeric(
    header: str, owner: object, name: str, scale: Scale, form: Callable[[float], str] = nr3
) -> list[Command]:
    """A numeric setting, kept in an attribute of `owner`, and its query, which also answers
    ``? MIN``, ``? MAX`` and ``? DEF``."""
    return [
        Command(header, lambda given: setattr(owner, name, scale.value(given[0])), 1, 1),
        Command(
            header + "?",
            lambda given: form(scale.named(given[0]) if given else getattr(owner, name)),
            most=1,
        ),
    ]


def switch(header: str, owner: object, name: str) -> list[Command]:
    """A Boolean setting and its query, which answers 0 or 1 (SCPI-1999 vol.1 7.3)."""
    return [
        Command(header, lambda given: setattr(owner, name, boolean(given[0])), 1, 1),
        Command(header + "?", lambda given: nr1(getattr(owner, name))),
    ]


def selection(header: str, owner: object, name: str, *words: str) -> list[Command]:
    """A setting that is one of `words`, and its query, which answers the short form."""
    return [
        Command(header, lambda given: setattr(owner, name, choice(given[0], *words)), 1, 1),
        Command(header + "?", lambda given: str(getattr(owner, name))),
    ]


class CommandTable:
    """Finds commands by any spelling of their headers."""

    def __init__(self, commands: Iterable[Command]) -> None:
        self._short: dict[str, str] = {}
        self._commands: dict[tuple[tuple[str, ...], bool], Command] = {}
        for command in commands:
            if command.header.startswith("*"):
                paths: Iterable[tuple[str, ...]] = [(command.header.rstrip("?"),)]
            else:
                paths = expand(command.header)
                self._short.update(forms(command.header))
            for path in paths:
                self._commands[path, command.header.endswith("?")] = command

    def find(self, mnemonics: tuple[str, ...], query: bool) -> Command:
        """Raises `ScpiError` (-113)."""
        path = tuple(self._short.get(name, name) for name in mnemonics)
        try:
            return self._commands[path, query]
        except KeyError:
            raise ScpiError(-113) from None
