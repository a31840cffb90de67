"""Results as JSON, and plots as files."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Literal

from benchrig.pages.document import Block, Document, Plot, Plots, Section
from benchrig.pages.drawing import write_plot
from benchrig.pages.measured import Measured

FORMAT = "benchrig/export/1"


def to_json(measured: Sequence[Measured], life: dict[str, Any] | None) -> str:
    """All results as they are, each with the fingerprint of its file; in ASCII. `life`: the
    document of a battery life, null where none was asked for."""
    results = [
        {"name": each.name, "sha256": each.sha256, "result": each.result.model_dump(mode="json")}
        for each in measured
    ]
    return json.dumps({"format": FORMAT, "results": results, "life": life}, indent=2) + "\n"


def write_plots(document: Document, folder: Path, kind: Literal["png", "svg"]) -> list[Path]:
    """Each plot as a file of its own. Raises `OSError`."""
    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    for name, plot in _plots(document.sections, ""):
        stem = re.sub(r"[^A-Za-z0-9_.-]+", "_", f"{name}-{plot.name}".strip("-"))
        path = folder / f"{stem}.{kind}"
        while path in written:  # two results, or two sweeps, may have one name
            path = path.with_name(f"{path.stem}-again.{kind}")
        write_plot(plot.draw, path)
        written.append(path)
    return written


def _plots(blocks: Sequence[Block], name: str) -> Iterator[tuple[str, Plot]]:
    for block in blocks:
        if isinstance(block, Plot):
            yield name, block
        elif isinstance(block, Plots):
            yield from ((name, each) for each in block.each)
        elif isinstance(block, Section):
            yield from _plots(block.blocks, block.name or name)
