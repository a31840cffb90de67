"""What a characterisation leaves in its folder: the proposals with their evidence, and plots."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

from benchrig.characterising import Recorded
from benchrig.files import write_atomically
from benchrig.measurement import Characteristics
from benchrig.records.plots import draw_noise, draw_record, draw_tail, draw_wake_ups

CHARACTERISTICS = "characteristics.json"
FORMAT = "benchrig/characteristics/1"


def keep_characteristics(
    folder: Path, found: Characteristics, record: Recorded, **about: str | None
) -> None:
    """Write ``characteristics.json`` and the plots into a folder that is there; `about`: names of
    session, state, board and meter. Raises `OSError`."""
    content = {
        "format": FORMAT,
        **about,
        "entered_s": record.entered_s,
        "recorded_s": float(record.times_s[-1]),
        "readings": int(record.times_s.size),
        "dead_share": record.dead_share,
        "ranges": [
            {"from_s": float(record.times_s[part.first]), "full_scale_A": part.full_scale_A}
            for part in record.stretches
        ],
        **asdict(found),
    }
    text = json.dumps(_finite(content), indent=2, allow_nan=False)
    write_atomically(folder / CHARACTERISTICS, text + "\n")
    title = f"{about.get('state')} of {about.get('session')}"
    draw_record(folder / "record.png", title, record, found)
    if found.tail is not None:
        draw_tail(folder / "tail.png", title, record, found.tail, found.wake_ups)
    if found.noise is not None:
        draw_noise(folder / "noise.png", title, record, found)
    if found.wake_ups is not None:
        draw_wake_ups(folder / "wake-ups.png", title, record, found.wake_ups)


def _finite(value: Any) -> Any:
    """JSON has no infinity: what is not known is null."""
    if isinstance(value, dict):
        return {key: _finite(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(each) for each in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
