"""From results to the document that shows them."""

from __future__ import annotations

from collections.abc import Sequence

from benchrig.pages.document import Block, Document, Section, Text
from benchrig.pages.life_part import Lifetime, NoLifetime, life_section
from benchrig.pages.lot_part import lot_section
from benchrig.pages.measured import Measured
from benchrig.pages.result_part import doubts, result_section
from benchrig.result import worst


def document(
    measured: Sequence[Measured], lifetime: Lifetime | NoLifetime | None = None
) -> Document:
    """One result, or several with an overview before them; at least one."""
    verdict = worst([each.result.verdict for each in measured])
    sections: list[Section] = []
    lead: list[Block] = []
    if len(measured) == 1:
        title = measured[0].title
    else:
        title = f"{len(measured)} results of {measured[0].result.session}"
        sections.append(lot_section(measured))
        lead = [
            Text(f"{each.name}: {doubt.words}", doubt.kind)
            for each in measured
            for doubt in doubts(each.result)
        ]
    sections += [result_section(each) for each in measured]
    if lifetime is not None:
        # After a single result, and before many.
        sections.insert(1, life_section(lifetime))
    return Document(title, verdict, tuple(lead), tuple(sections))
