"""The names of the front door: what they say, what importing them loads, progress."""

import inspect
import pkgutil
import subprocess
import sys
from collections.abc import Callable

import pytest
from typer.testing import Result

import roommodes as rm

Run = Callable[..., Result]


def test_work_is_watched_and_stopped(project: rm.Project) -> None:
    steps: list[rm.Step] = []
    rm.predict(project, running=rm.Running(report=steps.append))
    assert steps[-1].fraction == 1.0
    with pytest.raises(rm.Interrupted, match="while the room was computed"):
        rm.search(project, running=rm.Running(cancelled=lambda: True))


def test_every_name_is_there_and_says_what_it_takes() -> None:
    assert set(dir(rm)) == set(rm.__all__)
    assert {one.name for one in pkgutil.iter_modules(rm.__path__)} & set(rm.__all__) == {"plot"}, (
        "a module hides a name"
    )
    for name in rm.__all__:
        thing = getattr(rm, name)
        if name in {"__version__"}:
            continue
        assert inspect.getdoc(thing), name
        if inspect.isfunction(thing):
            documented = inspect.getdoc(thing) or ""
            missing = [one for one in inspect.signature(thing).parameters if one not in documented]
            assert not missing or "Raises as" in documented, (name, missing)
    for cls in (rm.Plan, rm.Results, rm.Project, rm.Drives, rm.Response, rm.Study, rm.Fitted):
        for name, member in inspect.getmembers(cls):
            if not name.startswith("_") and callable(member):
                assert inspect.getdoc(member), (cls, name)
    with pytest.raises(AttributeError, match="no attribute 'optimise'"):
        rm.optimise  # type: ignore[attr-defined]  # noqa: B018


def test_importing_loads_nothing_slow() -> None:
    code = (
        "import sys, roommodes as rm\n"
        "slow = {'scipy', 'numba', 'matplotlib', 'pydantic', 'h5py', 'numpy'} & set(sys.modules)\n"
        "assert not slow, slow\n"
        "project = rm.demo()\n"
        "assert not {'numba', 'matplotlib'} & set(sys.modules)\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
