"""What explains a difference: held against another implementation, and whether it finds what is there."""

import numpy as np
import pytest
import statsmodels.api as sm

from solvers.study.regression import Column, Explanation, explain, group_columns, number_columns
from tests.conftest import Close

ROOMS = 96


@pytest.fixture
def rooms() -> dict[str, np.ndarray]:
    random = np.random.default_rng(11)
    return {
        "volume": random.uniform(30, 120, ROOMS),
        "ratio": random.uniform(0.9, 2.0, ROOMS),
        "build": np.array(["brick", "light", "glazed"])[random.integers(0, 3, ROOMS)],
        "noise": random.normal(0.0, 0.2, ROOMS),
    }


def columns_of(rooms: dict[str, np.ndarray]) -> dict[str, list[Column]]:
    return {
        "build": [*group_columns("build", rooms["build"].tolist(), ("brick", "light", "glazed"))],
        "volume": [*number_columns("volume", rooms["volume"], by_doubling=True, unit="m3")],
        "ratio": [*number_columns("ratio", rooms["ratio"], by_doubling=True, unit="1")],
    }


def found(explanation: Explanation | None) -> dict[str, tuple[float, float, float]]:
    assert explanation is not None
    return {f"{term.property} {term.step}": term.change_db.parts for term in explanation.terms}


def test_terms_and_intervals_are_those_of_another_implementation(close: Close, rooms: dict[str, np.ndarray]) -> None:
    """statsmodels' ordinary least squares with HC3 deviations and Student's t."""
    doublings = np.log2(rooms["volume"])
    values = 0.5 * doublings + 0.8 * (rooms["build"] == "light") + rooms["noise"] * doublings
    ours = explain(values, columns_of(rooms), 0.95)
    design = np.column_stack(
        [rooms["build"] == "light", rooms["build"] == "glazed", doublings, np.log2(rooms["ratio"])]
    ).astype(float)
    theirs = sm.OLS(values, sm.add_constant(design)).fit(cov_type="HC3", use_t=True)
    assert ours is not None
    close(ours.r_squared, theirs.rsquared, rtol=1e-9)
    ends = theirs.conf_int(0.05)[1:]
    for (value, low, high), coefficient, (their_low, their_high) in zip(
        found(ours).values(), theirs.params[1:], ends, strict=True
    ):
        close(value, coefficient, rtol=1e-8)
        close(low, their_low, rtol=1e-8)
        close(high, their_high, rtol=1e-8)


def test_without_the_build_little_is_explained_and_with_it_most(rooms: dict[str, np.ndarray]) -> None:
    """A difference made by the build alone: sizes see next to nothing of it."""
    values = 2.0 * (rooms["build"] == "glazed") - 1.0 * (rooms["build"] == "light") + rooms["noise"]
    columns = columns_of(rooms)
    whole = explain(values, columns, 0.95)
    without = explain(values, {name: columns[name] for name in ("volume", "ratio")}, 0.95)
    assert whole is not None
    assert without is not None
    assert without.r_squared < 0.1
    assert whole.r_squared > 0.9
    terms = found(whole)
    assert terms["build light against brick"][1] < -1.0 < terms["build light against brick"][2]
    assert terms["build glazed against brick"][1] < 2.0 < terms["build glazed against brick"][2]
    assert terms["volume per doubling"][1] < 0.0 < terms["volume per doubling"][2]


def test_intervals_of_terms_cover_as_often_as_they_say(rooms: dict[str, np.ndarray]) -> None:
    """Deviations that grow with the room, forty rooms: HC3 with t."""
    random = np.random.default_rng(2)
    some = {name: values[:40] for name, values in rooms.items()}
    columns = columns_of(some)
    missed = 0
    for _ in range(600):
        noise = random.normal(0.0, 1.0, 40) * some["volume"] / 60.0
        terms = found(explain(0.7 * np.log2(some["volume"]) + noise, columns, 0.95))
        missed += not terms["volume per doubling"][1] <= 0.7 <= terms["volume per doubling"][2]
    assert 0.92 < 1.0 - missed / 600 < 0.985


def test_what_others_determine_is_left_out_and_said(rooms: dict[str, np.ndarray]) -> None:
    columns = columns_of(rooms)
    columns["area"] = [*number_columns("area", rooms["volume"] ** 2 * rooms["ratio"], by_doubling=True, unit="m2")]
    explanation = explain(rooms["noise"], columns, 0.95)
    assert explanation is not None
    assert explanation.left_out == ("area",)
    assert "area per doubling" not in found(explanation)


def test_few_rooms_explain_by_few_properties_or_none(rooms: dict[str, np.ndarray]) -> None:
    few = {name: values[:16] for name, values in rooms.items()}
    explanation = explain(few["noise"], columns_of(few), 0.95)
    assert explanation is not None
    assert explanation.left_out == ("ratio",)
    assert explain(rooms["noise"][:11], columns_of({name: values[:11] for name, values in rooms.items()}), 0.95) is None
    gone = np.where(np.arange(ROOMS) < 80, np.nan, rooms["noise"])
    assert explain(gone, columns_of(rooms), 0.95).rooms == 16  # type: ignore[union-attr]


def test_numbers_count_by_doublings_where_they_can(rooms: dict[str, np.ndarray]) -> None:
    def step(values: np.ndarray, *, by_doubling: bool = True, unit: str = "1") -> list[str]:
        return [column.step for column in number_columns("x", values, by_doubling=by_doubling, unit=unit)]

    assert step(rooms["volume"]) == ["per doubling"]
    assert step(rooms["volume"] - 60.0, unit="m3") == ["per m3"]
    assert step(np.array([18.0, 25.0]), by_doubling=False, unit="deg C") == ["per deg C"]
    assert step(np.full(9, 3.0)) == []
    assert step(np.full(9, np.nan)) == []
    assert step(np.array([0.0, 1.0, np.nan])) == ["per unit"]


def test_a_room_with_a_group_to_itself_upsets_nothing(rooms: dict[str, np.ndarray]) -> None:
    """Its deviation is not known: then all rooms are taken to have the same."""
    rooms["build"][:] = "brick"
    rooms["build"][7] = "light"
    values = rooms["noise"] + 3.0 * (rooms["build"] == "light")
    terms = found(explain(values, columns_of(rooms), 0.95))
    low, high = terms["build light against brick"][1:]
    assert low < 3.0 < high
    assert 0.5 < high - low < 1.5  # the noise of one room, 0.2, either way twice
