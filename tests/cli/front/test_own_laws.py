"""Wall laws and objectives of the reader's own."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import Result

import roommodes as rm

Run = Callable[..., Result]


class Felt:
    """A wall law of the reader's own: a constant admittance."""

    def admittance(self, omega: Any, air: rm.Air) -> Any:
        return np.full(np.shape(omega), 0.03 + 0.0j)


def test_a_wall_law_in_code_is_the_same_law_in_a_file(project: rm.Project, tmp_path: Path) -> None:
    in_code = project.with_(constructions={"felt": Felt()}, walls={"rear": "felt"})
    in_file = project.with_(constructions={"felt": {"kind": "admittance", "beta_re": 0.03}}, walls={"rear": "felt"})
    np.testing.assert_allclose(rm.predict(in_code).level_db, rm.predict(in_file).level_db, rtol=0, atol=1e-9)
    assert abs(rm.predict(in_code).level_db - rm.predict(project).level_db).max() > 0.1
    longer = in_code.with_(loss_factor=0.03)
    assert any(isinstance(surface.law, Felt) for surface in longer.surfaces())
    with pytest.raises(rm.ProjectInvalid, match="felt: given in code, which a file cannot hold; a plan file needs"):
        rm.save(rm.predict(in_code), tmp_path / "plan.h5")
    with pytest.raises(rm.ProjectInvalid, match="felt: given in code"):
        rm.predict(in_code).tolerance(draws=64)


def test_an_objective_of_ones_own(project: rm.Project, results: rm.Results) -> None:
    """The least level anywhere, to be as near the mean as can be: the plan for it beats the plan for variation."""

    def deepest(level_db: np.ndarray) -> np.ndarray:
        assert level_db.ndim == 3
        return level_db.mean(axis=(1, 2)) - level_db.min(axis=(1, 2))

    found = rm.search(project, counts=(2,), objective=deepest, seed=3)
    again = rm.search(project, counts=(2,), objective=deepest, seed=3)
    mine, plain = (float(deepest(one.plan(2).level_db[None])[0]) for one in (found, results))
    assert mine <= plain + 1e-9
    np.testing.assert_array_equal(found.plan(2).drives.delay_s, again.plan(2).drives.delay_s)
    values = [float(deepest(level[None])[0]) for level in found.plans[2].level_db]
    assert values == sorted(values)
    assert found.recommended().subs == 2
    assert "given in code" in found.plans[2].found.remarks[0]
    with pytest.raises(rm.ProjectInvalid, match="one number for each plan"):
        rm.search(project, counts=(1,), objective=lambda level: level.mean())
    with pytest.raises(rm.ProjectInvalid, match="leave it out"):
        rm.search(project, objective=deepest, exhaustive=True)
