"""``benchrig simulate``: a simulated bench behind real ports, to try real drivers on."""

from __future__ import annotations

import errno
import math
from ipaddress import AddressValueError, IPv4Address
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchrig.cli.signals import stop_on_signals
from benchrig.clock import RealClock
from benchrig.errors import CannotOpen, UsageError

if TYPE_CHECKING:
    from benchrig.simulation.files import SimulatedBoardFile
    from benchrig.simulation.serve import Addresses

# What the supply of the bench file may be told, above the board's nominal voltage; and at most.
_ABOVE_NOMINAL = 1.2
_CURRENT_LIMIT = "100 mA"

_PORT = click.IntRange(0, 65535)


@click.command("simulate", short_help="Serve a simulated board and meter on ports.")
@click.argument("board", type=click.Path(path_type=Path))
@click.option(
    "--meter",
    "sheet",
    metavar="SHEET",
    type=click.Path(path_type=Path),
    help="Also simulate a meter, from its sheet.",
)
@click.option(
    "--supply",
    is_flag=True,
    help="Also simulate a supply. It is off at first; without one the board has power.",
)
@click.option(
    "--pace",
    type=click.FloatRange(min=0, min_open=True),
    default=1.0,
    show_default=True,
    help="Simulated seconds in a second. Drivers know nothing of it.",
)
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=1,
    show_default=True,
    help="Of noise and other chance.",
)
@click.option("--board-port", type=_PORT, default=0, help="TCP port; 0: any that is free.")
@click.option("--meter-port", type=_PORT, default=0, help="TCP port; 0: any that is free.")
@click.option("--supply-port", type=_PORT, default=0, help="TCP port; 0: any that is free.")
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    help="127.x.x.x or localhost. Others are refused: whoever could reach it could use it.",
)
@click.option(
    "--write-bench",
    "bench",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write the bench file once the ports are open. Needs --meter.",
)
@click.option("--force", is_flag=True, help="Let --write-bench overwrite a file.")
@click.option("--until-stdin-closes", is_flag=True, help="End at the end of standard input, too.")
def command(
    board: Path,
    sheet: Path | None,
    supply: bool,
    pace: float,
    seed: int,
    board_port: int,
    meter_port: int,
    supply_port: int,
    host: str,
    bench: Path | None,
    force: bool,
    until_stdin_closes: bool,
) -> None:
    """Serve a simulated BOARD on ports of this computer, until Ctrl-C or SIGTERM.

    Once the ports are open, writes their addresses as a bench file wants them, one a line, and
    with --meter the bench file itself. The board is on a pty, where the system has them, and on a
    TCP port; meter and supply are each on a TCP port.

    Neither a break nor DTR or RTS goes through a pty or a TCP port: wake the board by a byte.
    """
    _check(pace, host, sheet, supply, meter_port, supply_port, bench, force)
    from benchrig.session import load_sheet
    from benchrig.simulation.files import load_board
    from benchrig.simulation.serve import Server
    from benchrig.simulation.world import World

    file = load_board(board)
    world = World(file, None if sheet is None else load_sheet(sheet), seed, supply)
    clock = RealClock()
    with stop_on_signals(clock.stop):
        try:
            server = Server(
                world,
                clock,
                pace,
                host=host,
                board_port=board_port,
                meter_port=meter_port,
                supply_port=supply_port,
            )
        except OSError as error:
            asked = [port for port in (board_port, meter_port, supply_port) if port]
            raise _no_port(host, asked, error) from error
        with server:
            _tell(server.addresses, file, sheet, bench)
            server.run(until_stdin_closes=until_stdin_closes)


def _check(
    pace: float,
    host: str,
    sheet: Path | None,
    supply: bool,
    meter_port: int,
    supply_port: int,
    bench: Path | None,
    force: bool,
) -> None:
    """Raises `UsageError` for what makes no sense."""
    if not math.isfinite(pace):
        raise UsageError(f"--pace {pace} is not a finite number")
    if not _is_loopback(host):
        raise UsageError(
            f"--host {host!r} is refused: a simulation is for this computer only; "
            "give localhost or an address that begins with 127"
        )
    if meter_port and sheet is None:
        raise UsageError("--meter-port needs --meter SHEET")
    if supply_port and not supply:
        raise UsageError("--supply-port needs --supply")
    if force and bench is None:
        raise UsageError("--force goes with --write-bench only")
    if bench is not None and sheet is None:
        raise UsageError("--write-bench needs --meter SHEET: a bench without a meter is none")
    if bench is not None and bench.exists() and not force:
        raise UsageError(f"{bench} is there already; --force overwrites it")


def _is_loopback(host: str) -> bool:
    try:
        return host == "localhost" or IPv4Address(host).is_loopback
    except AddressValueError:
        return False


def _no_port(host: str, asked: list[int], error: OSError) -> CannotOpen:
    kind = "port_busy" if error.errno == errno.EADDRINUSE else "cannot_open"
    ports = f"port {' or '.join(map(str, asked))}" if asked else "a port"
    return CannotOpen(
        kind,
        "simulation",
        f"{ports} of {host} cannot be used ({error.strerror or error}); "
        "end the program that holds it, or choose another number",
    )


def _tell(
    addresses: Addresses, file: SimulatedBoardFile, sheet: Path | None, bench: Path | None
) -> None:
    text = "" if sheet is None else _bench_text(addresses, file, sheet)
    if bench is not None:
        _write(bench, text)
    for name, address in _named(addresses):
        click.echo(f"{name}: {address}")
    if text:
        click.echo(f"\n{text}")
    click.echo("ready; Ctrl-C ends it")  # echo flushes


def _named(addresses: Addresses) -> list[tuple[str, str]]:
    """The addresses as a bench file wants them."""
    host = addresses.host
    named = [] if addresses.board_pty is None else [("board", addresses.board_pty)]
    named.append(("board", f"socket://{host}:{addresses.board_port}"))
    for name, port in (("meter", addresses.meter_port), ("supply", addresses.supply_port)):
        if port is not None:
            named.append((name, f"TCPIP::{host}::{port}::SOCKET"))
    return named


def _write(bench: Path, text: str) -> None:
    from benchrig.files import write_atomically

    try:
        write_atomically(bench, text)
    except OSError as error:
        raise UsageError(f"{bench} cannot be written: {error.strerror or error}") from error


def _bench_text(addresses: Addresses, file: SimulatedBoardFile, sheet: Path) -> str:
    """The bench file. The first address of the board is used: the pty, where there is one."""
    from benchrig.session import BenchFile

    named = dict(reversed(_named(addresses)))
    lines = [
        "# A simulated bench on ports, good for as long as the simulation runs.",
        "# Neither a break nor DTR or RTS reaches its board: wake it by a byte.",
        f"format = {_quoted(BenchFile.FORMAT)}",
        'name = "simulated-on-ports"',
        "",
        "[board]",
        f"port = {_quoted(named['board'])}",
        f"baud_rate = {file.uart.baud_rate}",
        "",
        "[meter]",
        f"address = {_quoted(named['meter'])}",
        f"sheet = {_quoted(str(sheet.resolve()))}",
    ]
    if "supply" in named:
        lines += [
            "",
            "[supply]",
            f"address = {_quoted(named['supply'])}",
            f"current_limit = {_quoted(_CURRENT_LIMIT)}",
            f"highest_voltage = {_quoted(f'{_ABOVE_NOMINAL * file.nominal_voltage:.3g} V')}",
        ]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A basic string of TOML 1.0, which for these is as JSON writes it."""
    import json

    return json.dumps(text, ensure_ascii=False)
