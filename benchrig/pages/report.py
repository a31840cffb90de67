"""From results to the document that shows them."""

from __future__ import annotations

from collections.abc import Sequence

from benchrig.pages.document import Block, Document
from benchrig.pages.life_part import Lifetime, NoLifetime, life_section
from benchrig.pages.lot_part import lot_doubts, lot_section
from benchrig.pages.measured import Measured, labels
from benchrig.pages.result_part import result_section
from benchrig.result import worst


def document(
    measured: Sequence[Measured], lifetime: Lifetime | NoLifetime | None = None
) -> Document:
    """One result, or several with an overview before them; at least one."""
    verdict = worst([each.result.verdict for each in measured])
    lead: tuple[Block, ...] = ()
    if len(measured) == 1:
        title = f"{measured[0].result.board.name}, {measured[0].board}"
        sections = [result_section(measured[0], "What was measured")]
    else:
        title = f"{len(measured)} results of {measured[0].result.session}"
        lead = tuple(lot_doubts(measured))
        sections = [lot_section(measured)]
        sections += map(result_section, measured, labels(measured))
    if lifetime is not None:
        # After a single result, and before many.
        sections.insert(1, life_section(lifetime))
    return Document(title, verdict, lead, tuple(sections))
