"""``benchrig find``: which ports are here, and what answers at an address."""

from __future__ import annotations

import threading
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import click

from benchrig.cli.signals import stop_on_signals
from benchrig.clock import SLICE_S, Clock, RealClock
from benchrig.errors import Fault, UsageError, WireFault
from benchrig.harmless import harmless

if TYPE_CHECKING:
    from benchrig.session.fields import Ending

T = TypeVar("T")

_FAULT = 4
# Listing takes well under a second; a backend that needs longer hangs.
_LISTING_S = 10.0
# What opening and asking may take at the most: so many time-outs, and so long beyond them.
_TIMEOUTS, _MARGIN_S = 4, 3.0


@dataclass(frozen=True)
class Options:
    """How an instrument is reached, as a bench file says it."""

    timeout_s: float
    backend: str
    read_termination: Ending
    write_termination: Ending
    baud_rate: int


@dataclass(frozen=True)
class Outcome:
    """What came of one address. `identity` is empty for a port that was opened only."""

    address: str
    ok: bool
    identity: str = ""
    kind: str = ""
    message: str = ""

    def line(self) -> str:
        said = (self.identity or "can be opened") if self.ok else self.message
        return f"{self.address}: {said}"


@click.command("find", short_help="Tell which ports are here, and what answers.")
@click.argument("addresses", nargs=-1, metavar="[ADDRESS]...")
@click.option(
    "--timeout",
    metavar="DURATION",
    default="2 s",
    show_default=True,
    help="How long to wait for an answer.",
)
@click.option(
    "--backend", metavar="NAME", default="@py", show_default=True, help="The pyvisa backend."
)
@click.option(
    "--read-termination",
    type=click.Choice(["CR", "LF", "CRLF"]),
    default="LF",
    show_default=True,
    help="What ends an answer.",
)
@click.option(
    "--write-termination",
    type=click.Choice(["CR", "LF", "CRLF"]),
    default="LF",
    show_default=True,
    help="What ends a question.",
)
@click.option(
    "--baud-rate",
    type=click.IntRange(min=1),
    default=9600,
    show_default=True,
    help="Of an ASRL address.",
)
@click.option("--json", "as_json", is_flag=True, help="Write JSON, for machines.")
@click.pass_context
def command(
    context: click.Context,
    addresses: tuple[str, ...],
    timeout: str,
    backend: str,
    read_termination: Ending,
    write_termination: Ending,
    baud_rate: int,
    as_json: bool,
) -> None:
    """Tell what is here, and what answers.

    Without an ADDRESS, lists the serial ports and the VISA addresses that the system knows of.
    Nothing is opened. With @py, nothing is searched for on the network; what another backend does
    to make its list is its own affair.

    With addresses, only those are opened. A VISA address (TCPIP::192.0.2.7::5025::SOCKET,
    ASRL/dev/ttyUSB0::INSTR) is asked for its name by *IDN?; for a serial port (/dev/ttyUSB0,
    socket://192.0.2.9:4000) it is told whether it can be opened, and nothing is sent. Opening a
    port raises DTR and RTS on most systems, and a board that is reset by them will be.

    The exit status is 0 if all that were asked answered, else 4.
    """
    options = Options(_seconds(timeout), backend, read_termination, write_termination, baud_rate)
    clock = RealClock()
    with stop_on_signals(clock.stop), warnings.catch_warnings():
        # Of drivers that are not there and sockets that are left open, by the libraries.
        warnings.simplefilter("ignore")
        if not addresses:
            _list(backend, clock, as_json)
            return
        outcomes = []
        for address in addresses:
            outcome = _try(address, options, clock)
            outcomes.append(outcome)
            if not as_json:
                click.echo(outcome.line())
    if as_json:
        _write_json({"asked": [vars(outcome) for outcome in outcomes]})
    if not all(outcome.ok for outcome in outcomes):
        context.exit(_FAULT)


def _seconds(timeout: str) -> float:
    from benchrig.units import parse_quantity

    try:
        timeout_s = parse_quantity(timeout, "s")
    except ValueError as error:
        raise UsageError(f"--timeout {error}") from None
    if timeout_s <= 0:
        raise UsageError(f"--timeout {timeout!r} must be above zero")
    return timeout_s


def _one_line(message: str) -> str:
    """A message, which libraries like to spread over several lines."""
    return harmless(" ".join(message.split()))


def _bounded(call: Callable[[], T], limit_s: float, clock: Clock) -> T:
    """What `call` gives or raises; `TimeoutError` after `limit_s`, `Interrupted` on a request to
    stop. It runs in a daemon thread: a library that hangs cannot be ended, only left behind."""
    from concurrent.futures import Future, wait

    future: Future[T] = Future()

    def run() -> None:
        try:
            future.set_result(call())
        except BaseException as error:
            future.set_exception(error)

    threading.Thread(target=run, daemon=True).start()
    deadline_s = clock.monotonic() + limit_s
    while not future.done() and clock.monotonic() < deadline_s:
        clock.check()
        wait([future], SLICE_S)
    return future.result(0)


# -- listing --------------------------------------------------------------------------------


def _list(backend: str, clock: Clock, as_json: bool) -> None:
    from benchrig.wires.finding import serial_ports, visa_addresses

    listing, failures = _listed(serial_ports, clock)
    problems = [f"serial ports could not be listed: {failure}" for failure in failures]
    ports = [
        {"port": harmless(each.port), "description": harmless(each.description)}
        for each in listing or []
    ]
    visa, failures = _listed(lambda: visa_addresses(backend), clock)
    addresses, missing = visa or ([], [])
    problems += [f"VISA addresses could not be listed: {each}" for each in failures + missing]
    problems = [_one_line(problem) for problem in problems]
    found = [harmless(address) for address in addresses]
    if as_json:
        _write_json({"serial_ports": ports, "visa_addresses": found, "problems": problems})
        return
    lines = [f"{each['port']}  {each['description']}".rstrip() for each in ports]
    _show("Serial ports:", lines)
    kinds = ", USB and GPIB only" if backend == "@py" else ""
    _show(f"VISA addresses ({harmless(backend)}{kinds}):", found)
    for problem in problems:
        click.echo(problem)


def _listed(call: Callable[[], T], clock: Clock) -> tuple[T | None, list[str]]:
    """What `call` lists, or why it does not: a failure is news here, not an end."""
    try:
        return _bounded(call, _LISTING_S, clock), []
    except Fault:
        raise  # the request to stop
    except TimeoutError:
        return None, [f"no end after {_LISTING_S:g} s"]
    except Exception as error:
        return None, [str(error).strip() or type(error).__name__]


def _show(title: str, lines: list[str]) -> None:
    click.echo(title)
    for line in lines or ["none"]:
        click.echo(f"  {line}")


def _write_json(value: dict[str, Any]) -> None:
    import json

    click.echo(json.dumps(value, indent=2))


# -- asking ---------------------------------------------------------------------------------


def _is_visa(address: str) -> bool:
    return address.upper().startswith("ASRL") or ("::" in address and "://" not in address)


def _try(address: str, options: Options, clock: Clock) -> Outcome:
    """Open one address, and ask who is there if it is an instrument's."""
    # Its own clock: the request to stop lets a thread that was left behind end.
    own = RealClock()
    call = _asking(address, options, own) if _is_visa(address) else _opening(address, own)
    limit_s = _TIMEOUTS * options.timeout_s + _MARGIN_S
    shown = harmless(address)
    try:
        return Outcome(shown, True, identity=harmless(_bounded(call, limit_s, clock)))
    except TimeoutError:
        message = f"gave no clear answer within {limit_s:.3g} s; does it talk all the time?"
        return Outcome(shown, False, kind="no_reply", message=message)
    except WireFault as fault:
        # What a line begins with need not be said again.
        message = fault.message.removeprefix(f"{fault.wire}: ").removeprefix(address)
        return Outcome(shown, False, kind=fault.kind, message=_one_line(message.lstrip(": ")))
    finally:
        own.stop.make("the end of its time")


def _asking(address: str, options: Options, clock: Clock) -> Callable[[], str]:
    from benchrig.drivers.instrument import ScpiInstrument
    from benchrig.drivers.lines import ending_bytes
    from benchrig.wires.visa import VisaSettings, VisaWire

    read_termination = ending_bytes(options.read_termination)
    settings = VisaSettings(
        address,
        backend=options.backend,
        read_termination=read_termination,
        open_timeout_s=options.timeout_s,
        baud_rate=options.baud_rate,
    )
    instrument = ScpiInstrument(
        VisaWire("instrument", clock, settings),
        clock,
        write_termination=ending_bytes(options.write_termination),
        read_termination=read_termination,
        timeout_s=options.timeout_s,
    )

    def ask() -> str:
        try:
            return instrument.open()
        finally:
            instrument.close()

    return ask


def _opening(port: str, clock: Clock) -> Callable[[], str]:
    from benchrig.wires.finding import try_port

    def open_it() -> str:
        try_port(port, clock)
        return ""

    return open_it
