"""The short form of the campaign with a fixed seed: zero of every fault."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.campaigns.__main__ import SHORT, campaign
from tests.campaigns.cases import table

SEED = 20


@pytest.mark.slow
def test_short_campaign(tmp_path: Path) -> None:
    outcomes = campaign(SEED, SHORT, keep=tmp_path / "kept", cache=tmp_path / "cache", told=False)
    assert len(outcomes) == sum(SHORT.values())
    faults = [f"{o.name} {o.title}: {f.kind}: {f.detail[:300]}" for o in outcomes for f in o.faults]
    assert not faults, table(outcomes, list(SHORT)) + "\n" + "\n".join(faults[:40])
