"""Text from boards and meters, made harmless: a terminal obeys control characters, and a reader is
misled by those that turn the direction of writing or stay unseen."""

from __future__ import annotations

import unicodedata

# Printable by their Unicode category, and yet nothing is seen: fillers and an empty Braille cell.
_UNSEEN = frozenset("\u115f\u1160\u2800\u3164\uffa0")


def harmless(text: str) -> str:
    """`text` with every character that could move the cursor, turn the direction of writing,
    stay unseen or cover another one written out, as ``\\x1b`` or ``\\u202e``."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(
        char if _shows(char) else char.encode("unicode_escape").decode("ascii")
        # Composed, so that an ordinary accent is no mark of its own.
        for char in unicodedata.normalize("NFC", text)
    )


def harmless_lines(text: str) -> str:
    """The same for a text of several lines."""
    return "\n".join(harmless(line) for line in text.split("\n"))


def _shows(char: str) -> bool:
    # `isprintable` is false for all controls, formats, surrogates, odd spaces and unassigned ones.
    return char.isprintable() and unicodedata.category(char)[0] != "M" and char not in _UNSEEN
