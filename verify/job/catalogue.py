"""What flows may name: checks and their findings, hazards, activities.

Stands here because a flow may not know the checks and the checks may not know flows; this is the
first place that sees both.
"""

from __future__ import annotations

from functools import cache

from verify import tables
from verify.evidence.checks.catalogue import CATALOGUE
from verify.flow.graph import Catalogue
from verify.job.numbers import FRAME_SPECS


@cache
def catalogue() -> Catalogue:
    return Catalogue(
        checks={name: dict(check.findings) for name, check in CATALOGUE.items()},
        hazards={row["hazard"]: row["caution"] for row in tables.rows("seeds/hazards.csv")},
        activities={
            row["activity"]: tuple(row["hazards"].split())
            for row in tables.rows("seeds/activities.csv")
        },
        # A freeze frame is typed once, with the codes; a flow need not ask for its numbers again.
        check_specs={
            name: tuple(spec for spec in check.specs if spec not in FRAME_SPECS)
            for name, check in CATALOGUE.items()
        },
    )


def caution(hazard: str, audience: str) -> tuple[str, str]:
    """(title, measure) of a hazard, in the words for this audience."""
    for row in tables.rows("seeds/hazards.csv"):
        if row["hazard"] == hazard:
            text = row["owner_caution"] if audience == "owner" else row["caution"]
            return row["title"], text
    raise KeyError(hazard)
