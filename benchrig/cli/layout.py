"""How the screen is laid out while a session runs: single lines, and the live table.

Everything here is made of `Text` that a `Pen` wrote; a bare string would be read as markup.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from rich.cells import cell_len
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from benchrig.cli.picture import Picture, Row
from benchrig.cli.wording import VERDICT_STYLES, Pen, duration, trend
from benchrig.events import Happened
from benchrig.figures import limits
from benchrig.result import StateResult
from benchrig.row_text import fault_words, limit_words, value_words
from benchrig.units import format_quantity

_GAP = 2
# Lines round the rows of the live table: title, bar, prompt, table head, reason, and some room.
_AROUND_ROWS = 9
_NARROWEST = 8
_NARROWEST_TREND, _WIDEST_TREND = 10, 24
# On less the trend would break up the words beside it.
_NARROWEST_WITH_TREND = 60
_WIDEST_BAR = 40


def ended_words(result: StateResult, *, told: bool) -> str:
    """One line on a state. Where its fault was told before, only its kind is said again."""
    parts = [f"{result.name}: {result.verdict}"]
    if (current := value_words(result)) != "-":
        parts.append(current)
    parts.append(f"limits {limit_words(result)}")
    if result.wake_latency_s is not None:
        parts.append(f"awake after {format_quantity(result.wake_latency_s, 's', 3)}")
    if result.flags:
        parts.append(f"flags {' '.join(result.flags)}")
    if result.fault is not None:
        parts.append(result.fault.kind if told else fault_words(result.fault))
    return ", ".join(parts)


def prompt_words(prompt: Happened, now_s: float | None = None) -> str:
    """What the operator has to do, with the time limit, and what is left of it at `now_s`."""
    words = f"OPERATOR: {prompt.text}"
    within_s = prompt.data.get("within_s")
    if not isinstance(within_s, int | float) or not math.isfinite(within_s):
        return words
    if now_s is None:
        return f"{words} (within {duration(within_s)})"
    left_s = max(prompt.time_s + within_s - now_s, 0.0)
    return f"{words} (within {duration(within_s)}; {duration(left_s)} left)"


def verdict_text(verdict: str, pen: Pen) -> Text:
    return pen(verdict, VERDICT_STYLES.get(verdict, ""))


# -- the live picture -----------------------------------------------------------------------


def live_view(picture: Picture, now_s: float, pen: Pen, width: int, height: int) -> RenderableType:
    """The picture as it is shown while the session runs. What matters most comes first, since
    a low terminal shows no more than its height."""
    parts: list[RenderableType] = [pen("")]
    if picture.prompt is not None:
        parts.append(pen(prompt_words(picture.prompt, now_s), "bold reverse"))
    remaining_s = picture.remaining_s(now_s)
    parts.append(pen(_title(picture, now_s, remaining_s), "bold"))
    if remaining_s is not None:
        share = _share(picture, now_s, remaining_s)
        parts.append(pen(_bar(share, min(_WIDEST_BAR, width - 8))))
    if picture.rows:
        parts.append(_live_table(picture, pen, width, height))
    parts.append(_one_line(pen(_doing(picture), "dim"), width))
    return Group(*parts)


def _title(picture: Picture, now_s: float, remaining_s: float | None) -> str:
    words = "" if picture.session is None else f"{picture.session}: "
    words += f"{picture.done} of {len(picture.rows)} done, {duration(now_s)} so far"
    if remaining_s is None:
        return words
    left = f"about {duration(remaining_s)}" if remaining_s >= 0.5 else "a moment"
    return f"{words}, {left} left"


def _share(picture: Picture, now_s: float, remaining_s: float) -> float:
    whole_s = now_s + remaining_s
    share = now_s / whole_s if whole_s > 0 else 0.0
    return 1.0 if picture.ended else min(share, 0.99)


def _bar(share: float, width: int) -> str:
    full = round(share * width)
    return f"{'█' * full}{'░' * (width - full)} {math.floor(100 * share)} %"


def _doing(picture: Picture) -> str:
    if picture.active is not None and picture.reason:
        return f"{picture.rows[picture.active].state}: {picture.reason}"
    return "" if picture.last is None else happened_words(picture.last)


def happened_words(event: Happened) -> str:
    return event.text if event.state is None else f"{event.state}: {event.text}"


def _one_line(text: Text, width: int) -> Text:
    # Not by rich's own ellipsis, which is not ASCII.
    if text.cell_len > width:
        text.truncate(max(width - 3, 0), overflow="crop")
        text.append("...")
    return text


def _live_table(picture: Picture, pen: Pen, width: int, height: int) -> RenderableType:
    first, last = _window(picture, max(height - _AROUND_ROWS, 3))
    rows = picture.rows[first:last]
    head = [pen(word, "bold") for word in ("", "state", "current ± U", "limits", "verdict")]
    cells = [
        _live_cells(row, index == picture.active, pen) for index, row in enumerate(rows, first)
    ]
    # As wide as they may become, so that the columns stay where they are.
    widest = [pen(word) for word in (">", "", "(1.2345 ± 0.0012) mA", "", "undecided")]
    if width >= _NARROWEST_WITH_TREND:
        widths = column_widths([head, widest, *cells], width - _NARROWEST_TREND - _GAP)
        room = width - sum(widths) - _GAP * len(widths)
        room = max(_NARROWEST_TREND, min(room, _WIDEST_TREND))
        head.append(pen("trend", "bold"))
        cells = [[*line, _remark(row, pen, room)] for row, line in zip(rows, cells, strict=True)]
        widths.append(room)
    else:
        widths = column_widths([head, widest, *cells], width)
    table = grid(widths)
    for line in (head, *cells):
        table.add_row(*line)
    hidden = len(picture.rows) - len(rows)
    return Group(table, pen(f"... and {hidden} more", "dim")) if hidden else table


def _live_cells(row: Row, active: bool, pen: Pen) -> list[Text]:
    bounds = pen(limits(row.low_A, row.high_A, "A"))
    name = pen(row.state, "bold" if active else "")
    if row.result is not None:
        current = pen(value_words(row.result))
        return [pen(""), name, current, bounds, verdict_text(row.result.verdict, pen)]
    mark, word = (">", "measuring" if row.trend_A else "entering") if active else ("", "")
    return [pen(mark), name, pen(_latest(row)), bounds, pen(word)]


def _latest(row: Row) -> str:
    if not row.trend_A:
        return ""
    point_A = row.trend_A[-1]
    if math.isinf(point_A):
        return "overload"
    return "no number" if math.isnan(point_A) else format_quantity(point_A, "A")


def _remark(row: Row, pen: Pen, width: int) -> Text:
    """The trend; after the end, as much as fits of what the verdict does not tell."""
    if row.result is not None and row.result.fault is not None:
        return _one_line(pen(row.result.fault.kind), width)
    if row.result is not None and row.result.flags:
        return _one_line(pen(" ".join(row.result.flags)), width)
    return pen(trend(row.trend_A, width))


def _window(picture: Picture, size: int) -> tuple[int, int]:
    """Which rows are shown: all, or as many as fit, with the present one in their middle."""
    middle = picture.active
    if middle is None:
        open_rows = (i for i, row in enumerate(picture.rows) if row.result is None)
        middle = next(open_rows, len(picture.rows) - 1)
    first = max(0, min(middle - size // 2, len(picture.rows) - size))
    return first, min(first + size, len(picture.rows))


# -- columns --------------------------------------------------------------------------------


def column_widths(lines: Sequence[Sequence[Text]], width: int) -> list[int]:
    """As wide as the widest cells; where that is too much, the widest columns give way."""
    widths = [max(cell_len(cell.plain) for cell in column) for column in zip(*lines, strict=True)]
    room = width - _GAP * (len(widths) - 1)
    while sum(widths) > room and max(widths) > _NARROWEST:
        widths[widths.index(max(widths))] -= 1
    return widths


def grid(widths: Sequence[int]) -> Table:
    table = Table.grid(padding=(0, _GAP, 0, 0), pad_edge=False)
    for width in widths:
        table.add_column(width=width, overflow="fold")
    return table
