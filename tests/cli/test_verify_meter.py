"""``benchrig verify-meter``: what it asks, checks and keeps, and what other commands make of it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

from tests.cli.calls import BENCH, FIXTURES, SESSION, bench_for, call, edited, result_in, run

RESISTOR = FIXTURES / "boards" / "reference-resistor.toml"
KEPT = "verified.json"


def bench_with(folder: Path, *changes: tuple[str, str], supply: bool = True) -> Path:
    """A simulated bench with a resistor of 1 Mohm in place of the board."""
    bench = bench_for(folder, RESISTOR, supply=supply)
    place = f"[meter]\nverification = {json.dumps(KEPT)}\n"
    return edited(bench, bench, ("[meter]\n", place), *changes)


def verify(
    bench: Path,
    *arguments: str,
    resistor: str = "1 Mohm 0.1 %",
    voltage: str = "3.000 V",
    stdin: str | None = None,
) -> Result:
    words = ("--bench", bench, "--resistor", resistor, "--voltage", voltage)
    return call("verify-meter", *words, *arguments, stdin=stdin)


def kept(folder: Path) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((folder / KEPT).read_text())
    return content


def demanding(folder: Path) -> Path:
    """A session that asks for a verification of the last 30 days."""
    new = '[requires]\nmeter_verified_within = "30 d"\n\n[board]\n'
    return edited(SESSION, folder / "demanding.session.toml", ("[board]\n", new))


def with_board(bench: Path) -> Path:
    """The same bench after the board was put back."""
    board = FIXTURES / "boards" / "hive-scale.toml"
    return edited(
        bench, bench.with_name("with-board.bench.toml"), (json.dumps(str(RESISTOR)), f'"{board}"')
    )


def test_a_meter_that_is_fit(tmp_path: Path) -> None:
    shown = verify(bench_with(tmp_path), "--voltage-accuracy", "0.1 %", "--yes")
    assert (shown.exit_code, shown.stderr) == (0, "")
    lines = shown.stdout.splitlines()
    assert lines[0].startswith("Switch the supply off, then put the reference resistor in place")
    assert "1.000 MΩ ± 0.1 % at 3 V ± 0.1 %:" in lines
    (line,) = [line for line in lines if "range: reads" in line]
    assert line.startswith("    10 µA range: reads (")
    assert line.endswith(": agrees")
    assert "    not checked by it: the ranges 100 µA, 1.0 mA, 10 mA, 100 mA" in lines
    assert lines[-2:] == [
        "the meter is fit: it agrees on every range that was checked",
        f"kept in {tmp_path / KEPT}",
    ]
    found = kept(tmp_path)
    assert found["format"] == "benchrig/verification/1"
    assert found["meter"] == "Invented Instruments,Meter 1,0,1.0"
    assert (found["voltage_V"], found["voltage_accuracy"]) == (3.0, 0.001)
    (check,) = found["checks"]
    # The shunt of the range, 1 kohm, is in series.
    assert check["expected_A"] == pytest.approx(3.0 / 1.001e6)
    assert abs(check["normalised_error"]) <= 1.0


@pytest.mark.parametrize("resistor", ["0.98 Mohm 0.1 %", "1.02 Mohm 0.1 %"])
def test_a_meter_that_is_not_fit(resistor: str, tmp_path: Path) -> None:
    """2 % away from what it should read: which of them is wrong, nobody can tell from here."""
    shown = verify(bench_with(tmp_path), "--yes", resistor=resistor)
    assert shown.exit_code == 1
    assert "DOES NOT AGREE" in shown.stdout
    assert "the meter is NOT FIT" in shown.stdout
    # The failure is kept as well: no session is to run on the last good one.
    assert abs(kept(tmp_path)["checks"][0]["normalised_error"]) > 1.0


def test_a_check_that_sees_little_says_so(tmp_path: Path) -> None:
    """With limits of error of 10 % no meter is found unfit."""
    blunt = "resistor and voltage hide an error of up to "
    assert blunt not in verify(bench_with(tmp_path), "--yes").stdout
    shown = verify(bench_with(tmp_path), "--yes", resistor="1.1 Mohm 10 %")
    assert shown.exit_code == 0
    # 1.96 / sqrt(3) times 10 %, by Ohm's law.
    assert f"{blunt}11 % of the current" in shown.stdout


def test_an_accuracy_that_nobody_stated_is_told(tmp_path: Path) -> None:
    bench = bench_with(tmp_path)
    assert "0.1 % is assumed" in verify(bench, "--yes").stdout
    edited(bench, bench, ("[supply]\n", '[supply]\naccuracy = "0.05 %"\n'))
    assert "assumed" not in verify(bench, "--yes").stdout
    assert kept(tmp_path)["voltage_accuracy"] == 0.0005
    verify(bench, "--voltage-accuracy", "0.2 %", "--yes")
    assert kept(tmp_path)["voltage_accuracy"] == 0.002


def test_without_a_supply_the_operator_sets_the_voltage(tmp_path: Path) -> None:
    shown = verify(bench_with(tmp_path, supply=False), stdin="y\n")
    assert shown.exit_code == 0
    assert "Then set the supply to 3 V, and switch it on." in shown.stdout
    assert "Is the resistor of 1.000 MΩ ± 0.1 % in place, and nothing else?" in shown.stdout


def test_several_resistors_are_asked_for_one_after_the_other(tmp_path: Path) -> None:
    """The simulated one stays 1 Mohm, so that the second is found out."""
    more = ("--resistor", "510 kohm 0.1 %")
    shown = verify(bench_with(tmp_path), *more, stdin="y\ny\n")
    assert shown.exit_code == 1
    assert shown.stdout.count("Switch the supply off") == 2
    values = [check["resistance_ohm"] for check in kept(tmp_path)["checks"]]
    assert values == [1e6, 510e3, 510e3]
    assert verify(bench_with(tmp_path), *more, "--yes").exit_code == 2


@pytest.mark.parametrize("answer", ["n\n", "\n", ""], ids=["no", "nothing", "end of input"])
def test_nothing_is_done_without_a_yes(answer: str, tmp_path: Path) -> None:
    shown = verify(bench_with(tmp_path), stdin=answer)
    assert shown.exit_code == 2
    assert "that was not confirmed" in shown.stderr
    assert "reads" not in shown.stdout
    assert not (tmp_path / KEPT).exists()


def test_a_board_that_is_still_there(tmp_path: Path) -> None:
    shown = verify(with_board(bench_with(tmp_path)), "--yes")
    assert shown.exit_code == 4
    assert "benchrig: fault: not_the_resistor: meter: reads " in shown.stderr
    assert not (tmp_path / KEPT).exists()


def test_a_meter_that_reads_something_else_is_no_longer_verified(tmp_path: Path) -> None:
    """Here since the board is in place, which the meter alone cannot tell from its own error."""
    bench, session = bench_with(tmp_path), demanding(tmp_path)
    assert verify(bench, "--yes").exit_code == 0
    shown = verify(with_board(bench), "--yes")
    assert (shown.exit_code, "not_the_resistor" in shown.stderr) == (4, True)
    assert f"it is now {tmp_path / KEPT}.withdrawn" in shown.stdout
    later = run(tmp_path / "later", "--only", "idle", session=session, bench=with_board(bench))
    assert later.exit_code == 4
    assert result_in(tmp_path / "later")["fault"]["kind"] == "meter_not_verified"


@pytest.mark.parametrize(
    ("options", "complaint"),
    [
        ({"voltage": "5 V"}, "above the 3.6 V that"),
        ({"voltage": "0 V"}, "must be above zero"),
        ({"voltage": "3"}, "has no unit"),
        ({"resistor": "1 Mohm"}, "is not a reference resistor"),
        ({"resistor": "1 Gohm 1 %"}, "suits no range"),
    ],
)
def test_wrong_usage(options: dict[str, str], complaint: str, tmp_path: Path) -> None:
    shown = verify(bench_with(tmp_path), "--yes", **options)
    assert shown.exit_code == 2
    assert complaint in shown.stderr
    assert not (tmp_path / KEPT).exists()


def test_a_bench_that_does_not_say_where() -> None:
    shown = verify(BENCH, "--yes")
    assert (shown.exit_code, shown.stdout) == (2, "")
    assert shown.stderr.startswith(f"{BENCH}: meter.verification: is missing")


def test_a_place_that_is_not_there_is_told_before_anything_is_done(tmp_path: Path) -> None:
    shown = verify(bench_with(tmp_path, (json.dumps(KEPT), '"nowhere/v.json"')), "--yes")
    assert (shown.exit_code, shown.stdout) == (2, "")
    assert f"there is no folder {tmp_path / 'nowhere'}" in shown.stderr


# -- sessions that demand it ------------------------------------------------------------------


def test_a_session_can_demand_it(tmp_path: Path) -> None:
    bench, session = bench_with(tmp_path), demanding(tmp_path)
    board = with_board(bench)
    early = run(tmp_path / "early", "--only", "idle", session=session, bench=board)
    assert early.exit_code == 4
    assert result_in(tmp_path / "early")["fault"]["kind"] == "meter_not_verified"
    assert verify(bench, "--yes").exit_code == 0
    assert run(tmp_path / "good", "--only", "idle", session=session, bench=board).exit_code == 0
    assert verify(bench, "--yes", resistor="1.02 Mohm 0.1 %").exit_code == 1
    unfit = run(tmp_path / "unfit", "--only", "idle", session=session, bench=board)
    assert unfit.exit_code == 4
    assert "found unfit" in result_in(tmp_path / "unfit")["fault"]["message"]


@pytest.mark.parametrize("options", [[], ["--files-only"]], ids=["ports", "files only"])
def test_check_tells_beforehand(options: list[str], tmp_path: Path) -> None:
    bench, session = bench_with(tmp_path), demanding(tmp_path)
    words = ("check", session, "--bench", with_board(bench), *options)
    shown = call(*words)
    assert shown.exit_code == 4
    assert "meter: FAULT meter_not_verified: the session requires" in shown.stdout
    assert verify(bench, "--yes").exit_code == 0
    assert call(*words).exit_code == 0


def test_an_old_one_is_none(tmp_path: Path) -> None:
    bench, session = bench_with(tmp_path), demanding(tmp_path)
    verify(bench, "--yes")
    found = kept(tmp_path)
    (tmp_path / KEPT).write_text(json.dumps(found | {"taken": "2020-01-01T00:00:00Z"}))
    shown = call("check", session, "--bench", with_board(bench))
    assert shown.exit_code == 4
    assert "is of 2020-01-01" in shown.stdout
