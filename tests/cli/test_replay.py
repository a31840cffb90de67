"""``benchrig run --record``, ``replay``, ``recording`` and ``judge`` as a user meets them."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from benchrig.records.recording import RecordingFile, load_recording, read_objects
from tests.cli.calls import (
    SESSION,
    bench_for,
    call,
    edited,
    fast_session,
    folder_in,
    result_in,
    run,
    served,
    valid,
)
from tests.recordings import RECORDINGS

GOOD = RECORDINGS / "good.jsonl"


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The run folder of two states."""
    out = tmp_path_factory.mktemp("ran") / "runs"
    names = ("--only", "idle", "deep_sleep", "--serial-number", "HS-0042")
    assert run(out, *names).exit_code == 0
    return folder_in(out)


# -- recording and replaying ----------------------------------------------------------------


def test_a_run_records_into_its_folder(ran: Path) -> None:
    replayed = call("replay", ran / "recording.jsonl", "--json")
    assert replayed.exit_code == 0
    assert replayed.output == (ran / "result.json").read_text("utf-8")


def test_a_run_records_where_it_is_told(tmp_path: Path) -> None:
    path = tmp_path / "here.jsonl"
    assert run(tmp_path / "runs", "--only", "idle", "--record", path).exit_code == 0
    assert [row["name"] for row in load_recording(path).rows] == ["idle"]
    again = run(tmp_path / "runs", "--only", "idle", "--record", path)
    assert again.exit_code == 2
    assert "is there already" in again.output


def test_the_aim_is_recorded(tmp_path: Path) -> None:
    run(tmp_path / "runs", "--only", "idle", "--aim", "verdict")
    replayed = call("replay", folder_in(tmp_path / "runs") / "recording.jsonl", "--quiet")
    assert replayed.exit_code == 0
    assert "the result is the recorded one" in replayed.output


def test_a_replay_tells_what_came_of_it() -> None:
    shown = call("replay", GOOD)
    assert shown.exit_code == 0
    assert "hive-scale: pass" in shown.output
    assert "the result is the recorded one\n" in shown.output
    ratio = (
        r"a session of \d+\.\d{3} s, replayed in \d+\.\d{3} s: \d+ times faster; "
        r"its files were read in \d+\.\d{3} s before that\n"
    )
    assert re.search(ratio, shown.output)


def test_the_exit_status_is_that_of_the_session() -> None:
    assert call("replay", RECORDINGS / "leaky-capacitor.jsonl", "--quiet").exit_code == 1
    assert call("replay", RECORDINGS / "dead-uart.jsonl", "--quiet").exit_code == 4


def test_another_session_is_a_mismatch(tmp_path: Path) -> None:
    change = ('enter = [{ send = "stop", expect', 'enter = [{ send = "halt", expect')
    other = edited(SESSION, tmp_path / "s.toml", change)
    shown = call("replay", GOOD, "--session", other)
    assert shown.exit_code == 4
    assert "would send something else than was recorded" in shown.output
    assert "now:       write 'halt\\n' to the board" in shown.output
    assert "recorded:  write 'stop\\n' to the board" in shown.output


def test_other_limits_are_another_result(tmp_path: Path) -> None:
    limit = ('limit = { max = "8 mA", typical = "6.5 mA" }', 'limit = { max = "6 mA" }')
    other = edited(SESSION, tmp_path / "s.toml", limit)
    shown = call("replay", GOOD, "--session", other, "--quiet")
    assert shown.exit_code == 4
    assert "the result is NOT the recorded one" in shown.output
    assert 'states[1].verdict: recorded "pass", now "fail"' in shown.output


def test_what_was_not_done_again_is_told(tmp_path: Path) -> None:
    """Here three more waits, after the end of the session."""
    objects, _ = read_objects(GOOD)
    longer = RecordingFile(tmp_path / "r.jsonl", objects[0])
    last_s = objects[-1]["t"]
    for content in (*objects[1:], *[{"t": last_s, "op": "sleep", "for": 1.0}] * 3):
        longer.put(content)
    longer.close()
    shown = call("replay", tmp_path / "r.jsonl", "--quiet")
    assert "last acts in the recording that were not done again: 3" in shown.output
    assert "acts in the recording" not in call("replay", GOOD, "--quiet").output


def test_a_recording_that_was_cut_off(tmp_path: Path) -> None:
    path = tmp_path / "torn.jsonl"
    data = GOOD.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    shown = call("replay", path)
    assert shown.exit_code == 4
    assert "the last line is cut off, and was ignored" in shown.output
    assert "the recording ends here" in shown.output


def test_a_damaged_recording_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bad.jsonl"
    path.write_bytes(GOOD.read_bytes().replace(b"hive ready", b"hive reedy", 1))
    for words in (("replay", path), ("recording", "show", path)):
        shown = call(*words)
        assert shown.exit_code == 2
        assert re.match(r".*bad\.jsonl:\d+: is damaged", shown.output)


def test_on_ports_in_real_time(tmp_path: Path) -> None:
    """A pty and a TCP socket: what the operating system does to the times is in the recording."""
    with served(tmp_path, "--supply") as bench:
        out = tmp_path / "runs"
        names = ("--only", "idle", "deep_sleep")
        status = run(out, *names, session=fast_session(tmp_path), bench=bench.bench).exit_code
    (folder,) = out.iterdir()
    assert result_in(out)["verdict"] == ("pass", "fail", "", "undecided", "fault")[status]
    assert status in (0, 3), (folder / "result.json").read_text("utf-8")
    replayed = call("replay", folder / "recording.jsonl", "--json")
    assert replayed.exit_code == status
    assert replayed.output == (folder / "result.json").read_text("utf-8")


# -- showing --------------------------------------------------------------------------------


def shown(*options: str) -> list[str]:
    listed = call("recording", "show", GOOD, *options)
    assert listed.exit_code == 0
    return listed.output.splitlines()


def test_what_show_lists() -> None:
    lines = shown()
    assert lines[0] == "recorded 2026-01-01 00:00:00 UTC by benchrig 0.1.0"
    assert any(line.startswith("session: fixtures/hive-scale.session.toml (SHA") for line in lines)
    assert any(re.fullmatch(r" +\d+\.\d{6}  meter   -> '\*IDN\?\\n'", line) for line in lines)
    assert any("== deep_sleep has ended: pass" in line for line in lines)
    assert lines[-1].endswith("close") or "== the session has ended: pass" in "".join(lines)
    assert not any("sleep 0." in line for line in lines)


def entries(lines: list[str]) -> list[str]:
    return [line for line in lines if re.match(r" *\d+\.\d{6}  ", line)]


def test_filters_of_show() -> None:
    whole = entries(shown())
    steps = entries(shown("--steps"))
    assert 0 < len(steps) < len(whole)
    assert all(re.search(r"  (--|==) ", line) for line in steps)
    board = entries(shown("--wire", "board"))
    assert {line[14:19] for line in board} == {"board"}
    between = entries(shown("--from", "2", "--to", "3"))
    assert all(2 <= float(line.split()[0]) <= 3 for line in between)
    assert len(entries(shown("--waits"))) > len(whole)
    assert all("FETC?" in line for line in entries(shown("--with", "FETC?")))
    idle = entries(shown("--state", "idle", "--steps"))
    assert idle[0].endswith("== idle begins")
    assert "== idle has ended" in idle[-1]


def test_what_came_in_pieces_is_one_line(tmp_path: Path) -> None:
    objects, _ = read_objects(GOOD)
    header, pieces = objects[0], (b"o", b"k\r", b"\n", b"hive", b" ready\r\n", b"\r", b"boot")
    path = tmp_path / "pieces.jsonl"
    file = RecordingFile(path, header)
    for time_s, piece in enumerate(pieces):
        file.put({"t": time_s, "op": "read", "wire": "board", "text": piece.decode()})
        file.put({"t": time_s, "op": "read", "wire": "board"})
    file.close()
    said = [line for line in call("recording", "show", path).output.splitlines() if "<-" in line]
    assert said == [
        "    0.000000  board   <- 'ok\\r\\n'",
        "    3.000000  board   <- 'hive ready\\r\\n'",
        "    5.000000  board   <- '\\r'",
        "    6.000000  board   <- 'boot'",
    ]
    assert call("recording", "show", path, "--waits").output.count("<-") == 2 * len(pieces)


def test_a_state_that_is_not_in_it() -> None:
    listed = call("recording", "show", GOOD, "--state", "idel")
    assert listed.exit_code == 2
    assert "no state idel in it, only idle, weigh, lamp, light_sleep, deep_sleep" in listed.output


# -- scrubbing ------------------------------------------------------------------------------


def test_a_scrubbed_recording_tells_no_names_and_can_be_replayed(ran: Path, tmp_path: Path) -> None:
    out = tmp_path / "scrubbed.jsonl"
    told = call("recording", "scrub", ran / "recording.jsonl", out)
    assert told.exit_code == 0
    assert "HS-0042" in told.output
    # Nor where the bytes of it came one by one.
    board = b"".join(
        act.data for act in load_recording(out).acts if (act.kind, act.wire) == ("read", "board")
    )
    assert b"sn=XX-0000 fw=1.4.2" in board
    assert "HS-0042" not in out.read_text("ascii")
    replayed = call("replay", out, "--json")
    assert replayed.exit_code == 0
    assert valid(replayed.output)["serial_number"] == "XX-0000"
    assert call("recording", "scrub", ran / "recording.jsonl", out).exit_code == 2


def test_scrubbing_tells_of_a_torn_last_line(tmp_path: Path) -> None:
    path = tmp_path / "torn.jsonl"
    path.write_bytes(GOOD.read_bytes()[:-20])
    done = call("recording", "scrub", path, tmp_path / "out.jsonl")
    assert done.exit_code == 0
    assert "the last line is cut off, and was ignored" in done.stderr


def test_letters_stay_where_the_session_asks_for_them(tmp_path: Path) -> None:
    change = (r"sn=(?P<serial_number>\S+)", r"sn=(?P<serial_number>HS-\d+)")
    session = edited(SESSION, tmp_path / "s.toml", change)
    run(tmp_path / "runs", "--only", "idle", session=session)
    out = tmp_path / "scrubbed.jsonl"
    call("recording", "scrub", folder_in(tmp_path / "runs") / "recording.jsonl", out)
    replayed = call("replay", out, "--json")
    assert replayed.exit_code == 0
    assert valid(replayed.output)["serial_number"] == "HS-0000"


def test_host_names_go_too(tmp_path: Path) -> None:
    """Of a bench on ports: its addresses, also those in messages and in the bench file."""
    bench = tmp_path / "lab.bench.toml"
    bench.write_text(
        'format = "benchrig/bench/1"\nname = "lab"\n'
        '[board]\nport = "socket://board-7.invalid:4001"\n'
        '[meter]\naddress = "TCPIP::meter-3.invalid::5025::SOCKET"\ntimeout = "0.2 s"\n',
        encoding="utf-8",
    )
    without_supply = run(tmp_path / "runs", "--only", "idle", bench=bench)
    assert without_supply.exit_code == 4
    path, out = folder_in(tmp_path / "runs") / "recording.jsonl", tmp_path / "scrubbed.jsonl"
    assert "meter-3.invalid" in path.read_text("ascii")
    call("recording", "scrub", path, out)
    text = out.read_text("ascii")
    assert "meter-3" not in text
    assert "board-7" not in text
    assert "TCPIP::XXXXX-0.XXXXXXX::5025::SOCKET" in text
    assert call("replay", out, "--quiet").exit_code == 4
    assert "the result is the recorded one" in call("replay", out, "--quiet").output


# -- judging again --------------------------------------------------------------------------


def judged(ran: Path, session: Path, *options: str | Path) -> tuple[int, dict[str, Any], str]:
    told = call("judge", ran, "--session", session, "--json", *options)
    return told.exit_code, valid(told.stdout), told.stderr


def test_the_same_session_judges_the_same(ran: Path) -> None:
    status, again, remarks = judged(ran, SESSION)
    stored = json.loads((ran / "result.json").read_text("utf-8"))
    assert status == 0
    for before, now in zip(stored["states"], again["states"], strict=True):
        assert (now["name"], now["verdict"]) == (before["name"], before["verdict"])
        for key in ("current_A", "expanded_uncertainty_A", "settled_after_s"):
            assert now[key] == pytest.approx(before[key], rel=1e-4), (before["name"], key)
        assert now["readings"] == before["readings"]
        assert now["wake_latency_s"] == before["wake_latency_s"]
    assert [row["verdict"] for row in again["derived"]] == ["pass"]
    assert remarks == "".join(
        f"not judged: {name}: was not measured\n" for name in ("weigh", "lamp", "light_sleep")
    )
    assert again["events"][-1]["kind"] == "judged_again"


def test_other_limits(ran: Path, tmp_path: Path) -> None:
    limit = ('limit = { max = "0.9 uA", typical = "0.6 uA" }', 'limit = { max = "0.5 uA" }')
    status, again, _ = judged(ran, edited(SESSION, tmp_path / "s.toml", limit))
    assert status == 1
    deep = again["states"][1]
    assert (deep["verdict"], deep["limit_max_A"]) == ("fail", 0.5e-6)
    assert deep["flags"] == ["above_limit"]
    near = edited(SESSION, tmp_path / "n.toml", (limit[0], 'limit = { max = "0.601 uA" }'))
    assert judged(ran, near)[0] == 3
    stored = json.loads((ran / "result.json").read_text("utf-8"))
    assert stored["states"][1]["verdict"] == "pass"


def test_a_record_that_is_too_short(ran: Path, tmp_path: Path) -> None:
    finer = edited(SESSION, tmp_path / "s.toml", ('tolerance = "1 %"', 'tolerance = "0.001 %"'))
    status, again, remarks = judged(ran, finer)
    assert status == 4
    idle = again["states"][0]
    assert (idle["verdict"], idle["fault"]["kind"]) == ("fault", "record_too_short")
    assert idle["current_A"] is None
    assert re.search(r"not judged: idle: the stored record ends [\d.]+ s after the entry", remarks)


def test_the_aim_of_the_run_stays(tmp_path: Path) -> None:
    """It was given on the command line, and is no part of the session file."""
    run(tmp_path / "runs", "--only", "idle", "--aim", "verdict")
    folder, stored = folder_in(tmp_path / "runs"), result_in(tmp_path / "runs")
    status, again, _ = judged(folder, SESSION)
    assert status == 0
    assert again["states"][0]["readings"] == stored["states"][0]["readings"]
    replayed = call("replay", folder / "recording.jsonl", "--session", SESSION, "--quiet")
    assert replayed.exit_code == 0, replayed.output


def test_a_state_that_the_session_did_not_have_cannot_pass(ran: Path, tmp_path: Path) -> None:
    change = ('name = "light_sleep"', 'name = "doze"'), ('["light_sleep", ', '["doze", ')
    status, again, remarks = judged(ran, edited(SESSION, tmp_path / "s.toml", *change))
    assert status == 4
    doze = again["states"][2]
    assert (doze["name"], doze["fault"]["kind"]) == ("doze", "record_too_short")
    assert "not judged: doze: the session that was run has no such state" in remarks


def test_a_longer_guard_than_was_waited_for(ran: Path, tmp_path: Path) -> None:
    longer = edited(SESSION, tmp_path / "s.toml", ('guard = "2.5 s"', 'guard = "50 s"'))
    status, again, _ = judged(ran, longer)
    assert status == 4
    assert again["states"][1]["fault"]["kind"] == "record_too_short"
    assert again["states"][0]["verdict"] == "pass"


def test_other_commands_are_not_judged(ran: Path, tmp_path: Path) -> None:
    change = ('enter = [{ send = "stop", expect', 'enter = [{ send = "halt", expect')
    status, _, remarks = judged(ran, edited(SESSION, tmp_path / "s.toml", change))
    assert status == 0
    assert "not judged: idle: enter differs from that of the session that was run" in remarks


def test_what_went_wrong_stays_wrong(tmp_path: Path) -> None:
    run(tmp_path / "runs", "--only", "idle", "deep_sleep", bench=bench_for(tmp_path, "dead-uart"))
    status, again, _ = judged(folder_in(tmp_path / "runs"), SESSION)
    assert status == 4
    assert {row["fault"]["kind"] for row in again["states"]} == {"not_reached"}


@pytest.mark.parametrize("defect", ["leaky-capacitor", "stuck-awake", "late-drift"])
def test_defects_are_judged_the_same(defect: str, tmp_path: Path) -> None:
    run(tmp_path / "runs", "--only", "idle", "deep_sleep", bench=bench_for(tmp_path, defect))
    folder = folder_in(tmp_path / "runs")
    stored = result_in(tmp_path / "runs")
    _, again, _ = judged(folder, SESSION)
    for before, now in zip(stored["states"], again["states"], strict=True):
        assert (now["verdict"], now["flags"]) == (before["verdict"], before["flags"])
        assert (now["fault"] or {}).get("kind") == (before["fault"] or {}).get("kind")


def test_the_bench_of_a_folder_without_a_recording(ran: Path, tmp_path: Path) -> None:
    folder = tmp_path / "old"
    folder.mkdir()
    for name in ("result.json", "readings.csv"):
        (folder / name).write_bytes((ran / name).read_bytes())
    told = call("judge", folder, "--session", SESSION)
    assert told.exit_code == 2
    assert "name the bench file with --bench" in told.output
    status, _, _ = judged(folder / "result.json", SESSION, "--bench", bench_for(tmp_path))
    assert status == 0


def test_what_is_no_result(tmp_path: Path) -> None:
    (tmp_path / "result.json").write_text("{}", encoding="utf-8")
    told = call("judge", tmp_path, "--session", SESSION)
    assert told.exit_code == 2
    assert "is no result of a session" in told.output
