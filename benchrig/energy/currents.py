"""What each state draws, and the charge of each event: typed in, or from results of sessions.

The budgets of a result are put together again from its stored contributions, so that what one
cause moves, the gain of a range, is one error over all states. Corrections that were declared are
in the stored currents already.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from benchrig.energy.lots import lot, one_board
from benchrig.energy.profile import Path, Profile
from benchrig.errors import Fault
from benchrig.measurement.burden import BURDEN_NOT_CORRECTED
from benchrig.measurement.combining import Budget
from benchrig.measurement.contributions import Contribution, Stated
from benchrig.result import ContributionRecord, SessionResult

What = Literal["state", "charge"]

_SAID_ELSEWHERE = ("above_limit", "below_limit", BURDEN_NOT_CORRECTED)

FEW_BOARDS = 5
"""Below this the spread between boards is hardly known (common practice, no source)."""


@dataclass(frozen=True)
class Source:
    """A result and how messages name it."""

    name: str
    result: SessionResult

    @property
    def meter(self) -> str:
        """What tells one meter from another; a result without identity shares with none."""
        return self.result.meter.identity or f"the meter of {self.name}"

    @property
    def board(self) -> str:
        return self.result.serial_number or f"the board of {self.name}"


@dataclass(frozen=True)
class Drawn:
    """A current in A or a charge per event in C. `origin` says where it is from; `boards` on how
    many it was measured (0: typed in); `spread` is the standard deviation between them, None for
    one; `mean` is that of the lot, where `budget` is one board that is drawn from it. `limit` is
    the most that the session let pass."""

    budget: Budget
    origin: str
    boards: int = 0
    spread: float | None = None
    mean: Budget | None = None
    limit: float | None = None


@dataclass(frozen=True)
class Currents:
    """All that a profile asks for. `supply_voltage_V`: at which the currents were measured;
    `minimum_voltage_V`: below it the board resets. `warnings` belong beside every figure that is
    made of these."""

    states: Mapping[str, Drawn]
    charges: Mapping[str, Drawn] = field(default_factory=dict)
    supply_voltage_V: float | None = None
    minimum_voltage_V: float | None = None
    warnings: tuple[str, ...] = ()

    @staticmethod
    def key(what: str, name: str) -> str:
        """The name of a current or a charge among all quantities."""
        return f"{'current' if what == 'state' else 'charge'} of {name}"

    @property
    def budgets(self) -> dict[str, Budget]:
        both: tuple[tuple[What, Mapping[str, Drawn]], ...] = (
            ("state", self.states),
            ("charge", self.charges),
        )
        return {
            self.key(what, name): drawn.budget
            for what, all_ in both
            for name, drawn in all_.items()
        }


def missing(
    profile: Profile,
    sources: Sequence[Source],
    typed: Mapping[tuple[What, str], Budget],
) -> Iterator[tuple[Path, str]]:
    """The uses of a profile that neither a result nor a typed value says anything of."""
    for number, mode in enumerate(profile.modes):
        for index, use in enumerate(mode.uses):
            if (use.what, use.name) in typed:
                continue
            without = [
                source.name
                for source in sources
                if use.name not in {row.name for row in _rows(source.result, use.what)}
            ]
            if without or not sources:
                where = f"has no result in {', '.join(without)}" if without else "has no result"
                table = "currents" if use.what == "state" else "charges"
                yield (
                    ("modes", number, "uses", index, use.what),
                    f"{use.name!r} {where}: measure it, or type it into [{table}]",
                )


def currents_for(
    profile: Profile,
    sources: Sequence[Source],
    typed: Mapping[tuple[What, str], Budget],
    *,
    supply_voltage_V: float | None = None,
    minimum_voltage_V: float | None = None,
) -> Currents:
    """What is typed in counts more than what was measured. Several results of one serial number
    are one board; several boards are a lot, and the product's board is one more of it.

    Raises the fault ``no_current`` for a state without a usable current, and `ValueError` for a
    state of which nothing is known (`missing` says where).
    """
    found: dict[What, dict[str, Drawn]] = {"state": {}, "charge": {}}
    wanted: list[tuple[What, str]] = [("state", name) for name in profile.states]
    wanted += [("charge", name) for name in profile.charges]
    warnings: list[str] = []
    measured = []
    for what, name in wanted:
        if (what, name) in typed:
            found[what][name] = Drawn(typed[what, name], "typed in")
            continue
        boards = _boards(what, name, sources, warnings)
        if not boards:
            raise ValueError(f"nothing is known of the {what} {name!r}")
        measured.append(name)
        limit = _limit(what, name, sources)
        found[what][name] = replace(_lot(boards), limit=limit)
    if measured:
        warnings += _about(sources)
    results = [source.result.board for source in sources] if measured else []
    supplies = {board.supply_voltage_V for board in results}
    if len(supplies) > 1:
        warnings.append(
            "the results were measured at different supply voltages: "
            + ", ".join(f"{each:g} V" for each in sorted(supplies))
        )
    minimum = max((board.minimum_voltage_V for board in results), default=None)
    return Currents(
        found["state"],
        found["charge"],
        supply_voltage_V if supply_voltage_V is not None else max(supplies, default=None),
        minimum_voltage_V if minimum_voltage_V is not None else minimum,
        tuple(warnings),
    )


def usable(source: Source, what: What, row: Any) -> Budget:
    """The budget of a row, put together from its contributions. Raises the fault ``no_current``
    where it has no value."""
    name = f"{source.name}: {row.name}"
    if row.fault is not None or row.verdict == "fault":
        why = "" if row.fault is None else f" ({row.fault.kind}: {row.fault.message})"
        raise Fault("no_current", f"{name} is a fault{why}: measure it again, or leave it out")
    value = row.current_A if what == "state" else row.charge_C
    if value is None:
        raise Fault(
            "no_current",
            f"{name} was measured for its verdict alone, so there are bounds and no value: measure "
            "it with --aim value",
        )
    lines = [_contribution(part, source) for part in row.budget]
    if what == "charge":
        # They are those of the current over its period.
        lines = [line.scaled(row.period_s) for line in lines]
    return Budget(value, tuple(lines))


def _rows(result: SessionResult, what: What) -> Sequence[Any]:
    return result.states if what == "state" else result.charges


def _boards(
    what: What, name: str, sources: Sequence[Source], warnings: list[str]
) -> dict[str, list[Budget]]:
    """For each board the budgets of all its rows of that name."""
    boards: dict[str, list[Budget]] = {}
    for source in sources:
        for row in _rows(source.result, what):
            if row.name == name:
                boards.setdefault(source.board, []).append(usable(source, what, row))
                warnings += _about_row(source, row)
    return boards


def _limit(what: What, name: str, sources: Sequence[Source]) -> float | None:
    rows = [row for source in sources for row in _rows(source.result, what) if row.name == name]
    limits = [row.limit_max_A if what == "state" else row.limit_max_C for row in rows]
    return max((limit for limit in limits if limit is not None), default=None)


def _about_row(source: Source, row: Any) -> Iterator[str]:
    if row.verdict in ("undecided", "fail"):
        yield f"{source.name}: {row.name} is {row.verdict} against its limits"
    odd = [flag for flag in row.flags if flag not in _SAID_ELSEWHERE]
    if odd:
        yield f"{source.name}: {row.name} has the flags {', '.join(odd)}"
    if BURDEN_NOT_CORRECTED in row.flags and row.board_voltage_V is not None:
        supply_V, at_V = source.result.board.supply_voltage_V, row.board_voltage_V
        yield (
            f"{source.name}: {row.name} was measured at {at_V:.3g} V, the rest being the burden of "
            f"the meter: at {supply_V:g} V it may draw {100 * (1 - at_V / supply_V):.2g} % more, "
            "which is not in its uncertainty; declare its sensitivity"
        )


def _about(sources: Sequence[Source]) -> Iterator[str]:
    for source in sources:
        result = source.result
        if result.fault is not None:
            yield f"{source.name}: the session has a fault, {result.fault.kind}"
        if not result.complete:
            yield f"{source.name}: the session was cut off before its end"
        if result.bench.simulated_seed is not None:
            yield f"{source.name}: measured on a simulated bench; no real board draws this"
        parts = [part for row in result.states for part in row.budget]
        if result.meter.sheet and parts and not any(part.shared for part in parts):
            yield (
                f"{source.name}: is of an earlier benchrig and does not say what its states share: "
                "their errors count as independent"
            )
    if any(source.result.serial_number is None for source in sources[1:]):
        yield "a result without serial number counts as a board of its own"
    boards = len({source.board for source in sources})
    if boards < FEW_BOARDS:
        what = "one board was" if boards == 1 else f"{boards} boards were"
        least = (
            "the spread between boards is not in the interval"
            if boards == 1
            else ("the spread between them is hardly known")
        )
        yield f"{what} measured: {least}"


def _contribution(part: ContributionRecord, source: Source) -> Contribution:
    stated = Stated(
        part.quantity, part.estimate, part.half_width, part.unit, part.divisor, part.sensitivity
    )
    dof = math.inf if part.degrees_of_freedom is None else part.degrees_of_freedom
    return Contribution(
        part.name,
        part.contribution_A,
        dof,
        part.evaluation,
        _of(part.shared, source),
        _of(part.statement, source),
        stated,
    )


def _of(cause: str | None, source: Source) -> str | None:
    """A cause belongs to one meter and its bench; what was declared for a kind of board belongs to
    all that were measured with it."""
    if cause is None or cause.endswith("as declared"):
        return cause
    return f"{cause} ({source.meter})"


def _lot(boards: Mapping[str, Sequence[Budget]]) -> Drawn:
    each = [one_board(rows) for rows in boards.values()]
    if len(each) == 1:
        return Drawn(each[0], next(iter(boards)), 1)
    found = lot(each)
    origin = f"a board of a lot, {len(each)} measured"
    return Drawn(found.one_more, origin, len(each), found.spread, found.mean)
