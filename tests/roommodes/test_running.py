"""Progress, cancelling and threads: parts of a stage, names, order, and that a stop begins nothing more."""

import threading
from concurrent.futures import ThreadPoolExecutor
from time import sleep

import pytest

from roommodes.errors import Interrupted
from roommodes.running import Running, Step


def test_by_default_nothing_is_watched_and_nothing_stops() -> None:
    running = Running()
    running.step("room", 0.5)
    running.check("never said")
    assert not running.stop_asked()
    assert running.thread_count >= 1


def test_parts_of_parts_fall_where_they_belong() -> None:
    seen: list[Step] = []
    half = Running(report=seen.append).part(0.5, 1.0)
    for fraction in (-1.0, 0.0, 0.5, 1.0, 7.0):
        half.part(0.0, 0.5).step("room", fraction)
    assert [step.fraction for step in seen] == [0.5, 0.5, 0.625, 0.75, 0.75]


def test_the_first_name_holds() -> None:
    seen: list[Step] = []
    running = Running(report=seen.append, cancelled=lambda: True).under("responses", note="as drawn", words="stopped")
    running.under("modes", note="as built", words="not said").step("room", 0.0)
    running.step("room", 1.0, "own note")
    assert [(step.stage, step.note) for step in seen] == [("responses", "as drawn"), ("responses", "own note")]
    with pytest.raises(Interrupted, match=r"^stopped$"):
        running.check("the work's own")
    with pytest.raises(Interrupted, match="the work's own"):
        Running(cancelled=lambda: True).under("responses").check("the work's own")


def test_steps_are_thinned_out_in_time() -> None:
    seen: list[Step] = []
    often = Running(report=seen.append).seldom(0.2)
    for _ in range(50):
        often.step("search", 0.1)
    sleep(0.21)
    often.step("search", 0.9)
    assert [step.fraction for step in seen] == [0.1, 0.9]


@pytest.mark.parametrize("threads", [1, 3])
def test_results_come_in_the_order_of_the_jobs(threads: int) -> None:
    running = Running(threads=threads)

    def work(job: int) -> int:
        sleep(0.001 * (7 * job % 5))
        return job

    with ThreadPoolExecutor(running.thread_count) as pool:
        assert list(running.each(pool, work, range(30))) == list(range(30))


def test_once_stopped_what_has_begun_is_finished_and_nothing_more_begun() -> None:
    stop = threading.Event()
    begun: list[int] = []

    def work(job: int) -> int:
        begun.append(job)
        if job == 4:
            stop.set()
        return job

    running = Running(threads=1, cancelled=stop.is_set)
    with ThreadPoolExecutor(1) as pool:
        done = list(running.each(pool, work, range(1000)))
    assert done == begun == list(range(len(done)))
    assert 5 <= len(done) < 10
    assert not running.unstoppable().stop_asked()
