"""Plans side by side: their own figures over the common band, the same plan elsewhere, and polished there."""

from dataclasses import replace

import numpy as np
import pytest

from roommodes.errors import OutsideModel
from roommodes.filters.sections import Section
from roommodes.plan.plan import Plan
from roommodes.plan.tuning import Tuning, TuningPrice
from roommodes.project.reading import parse_project
from roommodes.responses.metrics import level_db, normalised, seat_pressure
from roommodes.responses.third_octaves import edges_hz
from solvers.loudness.headroom import headroom, loudness_of
from solvers.plans.side_by_side import common_band_hz, moved, polished, seen
from tests.given_plans import given_results
from tests.roommodes.plan.stored import tuning_settings
from tests.rooms import SMALL

TEXT = SMALL.replace("[search]", "[subwoofer]\nmax_level_1m_db = 110\nprice = 900\n[search]")
DRIVES = {2: ([0.0, -3.0], [0.0, 0.0055], [1, -1], [1, 5])}


@pytest.fixture(scope="module")
def plan() -> Plan:
    return given_results(TEXT, DRIVES).plan(2)


def test_over_its_own_band_a_plan_keeps_its_own_figures(plan: Plan) -> None:
    one = seen(plan, common_band_hz([plan]))
    assert one.variation_db == pytest.approx(plan.variation_db, abs=1e-12)
    assert one.output_db == pytest.approx(plan.output_db, abs=1e-12)
    assert one.level_db == pytest.approx(plan.highest_level_db, abs=1e-9)
    assert one.price == 1800.0
    loudness = loudness_of(plan.project, plan.frequency_hz)
    assert one.least_headroom is not None
    assert one.least_headroom[1] == pytest.approx(headroom(plan, loudness).least_db)


def test_the_squares_of_the_bands_make_up_that_of_the_whole(plan: Plan) -> None:
    """Each third-octave's variation squared, weighted by its frequencies, is the whole's squared."""
    one = seen(plan, common_band_hz([plan]))
    hz = one.frequency_hz
    counts = [np.sum((hz >= edges_hz(band)[0]) & (hz < edges_hz(band)[1])) for band in one.bands]
    assert sum(counts) == len(hz)
    whole = np.average(one.band_variation_db**2, weights=counts)
    assert np.sqrt(whole) == pytest.approx(one.variation_db, rel=1e-9)


def test_the_common_band_is_what_all_cover(plan: Plan) -> None:
    other = given_results(TEXT.replace("band_hz = [25, 80]", "band_hz = [40, 100]"), DRIVES).plan(2)
    assert common_band_hz([plan, other]) == pytest.approx((40.0, 80.0))
    one = seen(plan, (40.0, 80.0))
    hz = plan.frequency_hz[plan.frequency_hz >= 40.0]
    assert np.array_equal(one.frequency_hz, hz)
    level = plan.level_db[plan.frequency_hz >= 40.0]
    share = normalised(plan.seats.weight)
    assert one.variation_db == pytest.approx(
        np.sqrt(np.mean(((level - (level @ share)[:, None]) ** 2) @ share)), rel=1e-12
    )
    far = given_results(TEXT.replace("band_hz = [25, 80]", "band_hz = [75, 160]"), DRIVES).plan(2)
    with pytest.raises(OutsideModel, match="too little in common: 25 to"):
        common_band_hz([plan, far])


def test_the_same_room_gives_the_same_figures(plan: Plan) -> None:
    there = moved(plan, parse_project(TEXT, source="again"))
    assert there.variation_db == pytest.approx(plan.variation_db, abs=1e-6)
    assert there.level_db == pytest.approx(plan.level_db, abs=1e-6)


def test_polishing_is_never_worse_and_finds_what_was_spoilt(plan: Plan) -> None:
    best = polished(plan)
    assert best.variation_db <= plan.variation_db
    assert np.array_equal(best.positions_m, plan.positions_m)
    again = polished(best.with_drives(gain_db=[0.0, 0.0], delay_s=[0.0, 0.0]))
    assert again.variation_db == pytest.approx(best.variation_db, abs=0.02)
    assert polished(best).variation_db <= best.variation_db


def test_filters_of_single_subs_count_and_shared_ones_do_not(plan: Plan) -> None:
    settings = tuning_settings(per_sub=1, shared=1, cut_db=9.0, q=(0.5, 8.0), all_pass=False, exchange=0.1)
    cut = Section(kind="peaking", frequency_hz=47.0, q=2.0, gain_db=-6.0)
    level = plan.level_db

    def tuned(own: tuple[tuple[Section, ...], ...], shared: tuple[Section, ...]) -> Plan:
        tuning = Tuning(
            place=(2, 0),
            settings=settings,
            sub_filters=own,
            shared=shared,
            before_db=level,
            after_db=level,
            target_db=level[:, 0],
            ceiling_db=level[:, 0],
            variation_before_db=1.0,
            variation_after_db=1.0,
            price=TuningPrice(boost_db=0.0, boost_hz=40.0, level_lost_db=0.0),
        )
        return replace(plan, tuning=tuning)

    band = common_band_hz([plan])
    common = seen(tuned(((), ()), (cut,)), band)
    assert common.variation_db == pytest.approx(plan.variation_db, abs=1e-12)
    own = tuned(((cut,), ()), ())
    weights = own.weights(plan.frequency_hz)
    want = level_db(seat_pressure(plan.transfer, weights))
    share = normalised(plan.seats.weight)
    want_db = np.sqrt(np.mean(((want - (want @ share)[:, None]) ** 2) @ share))
    assert seen(own, band).variation_db == pytest.approx(want_db, rel=1e-9)
    assert abs(want_db - plan.variation_db) > 0.01
