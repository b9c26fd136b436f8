"""A study on the workers of a scheduler: the same bits, and an end in words whatever the other side does."""

import contextlib
import http.server
import io
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from roommodes.errors import Interrupted
from roommodes.running import Running
from roommodes.studies.reading import parse_study
from solvers.study.cluster import ClusterCrew, Patience, SchedulerUnusable
from solvers.study.cluster_link import Link
from solvers.study.job import do_job
from solvers.study.run import Event, StudyPlan, finished_jobs, plan_study, run_jobs
from solvers.study.store import opened, store_of
from tests.studies.texts import checksum_of, tiny

pytest.importorskip("distributed", reason="needs the extra cluster")

ROOT = Path(__file__).parents[2]
WORK = "solvers.study.job:run_job"
SLOW, RAISING = "tests.studies.texts:slow_job", "tests.studies.texts:unheard_of_job"
SHORT = Patience(answer_s=3.0, silence_s=5.0, workers_s=4.0)
Start = Callable[..., subprocess.Popen[bytes]]


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """Start a part of dask, in a process group of its own; all of them end with the test."""
    started = []

    def begin(*words: str, path: Path = ROOT) -> subprocess.Popen[bytes]:
        environment = {**os.environ, "PYTHONPATH": str(path), "DASK_DISTRIBUTED__WORKER__DAEMON": "False"}
        process = subprocess.Popen(
            [sys.executable, "-m", *words],
            cwd=tmp_path,
            env=environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        started.append(process)
        return process

    yield begin
    for process in started:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()


@pytest.fixture
def scheduler(start: Start) -> tuple[str, subprocess.Popen[bytes]]:
    """A scheduler without workers: its address and its process."""
    return begin_scheduler(start)


def begin_scheduler(start: Start, *, protocol: str = "tcp", more: tuple[str, ...] = ()) -> tuple[str, Any]:
    port = free_port()
    words = ("--host", "127.0.0.1", "--port", str(port), "--protocol", protocol, "--no-dashboard", "--no-show", *more)
    process = start("distributed.cli.dask_scheduler", *words)
    stop = time.monotonic() + 60.0
    while time.monotonic() < stop:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1.0):
            return f"{protocol}://127.0.0.1:{port}", process
        time.sleep(0.05)
    pytest.fail("the scheduler does not start")


def worker(start: Start, address: str, path: Path = ROOT, more: tuple[str, ...] = ()) -> subprocess.Popen[bytes]:
    words = (address, "--nworkers", "1", "--nthreads", "1", "--no-nanny", "--no-dashboard", *more)
    return start("distributed.cli.dask_worker", *words, path=path)


def copy_of_the_code(folder: Path) -> Path:
    for package in ("roommodes", "solvers"):
        shutil.copytree(ROOT / package, folder / package, ignore=shutil.ignore_patterns("__pycache__"))
    return folder


def plan_of(count: int, *, searched: bool = False) -> StudyPlan:
    return plan_study(parse_study(tiny(count, searched=searched), source="study.toml"))


class Told(list[str]):
    """What was said, and the events."""

    def __init__(self) -> None:
        super().__init__()
        self.events: list[Event] = []

    def note(self, event: Event) -> None:
        if event.kind != "waiting":
            self.events.append(event)


def run(
    plan: StudyPlan,
    folder: Path,
    address: str,
    *,
    work: str = WORK,
    patience: Patience = SHORT,
    told: Told | None = None,
    stop: Callable[[Told], bool] = lambda told: False,
) -> tuple[dict[str, str], dict[str, str]]:
    """Checksums and failures of a run."""
    store, told = store_of(folder / "study.h5"), Told() if told is None else told
    with opened(store, folder / "study.h5"):
        crew = ClusterCrew(work, address, plan.expected.software, patience=patience, say=told.append)
        records, failures = run_jobs(
            plan,
            store,
            crew,
            finished=finished_jobs(plan, store),
            watch=told.note,
            running=Running(cancelled=lambda: stop(told)),
        )
    return checksum_of(records), failures


def alone(plan: StudyPlan) -> dict[str, str]:
    return {job.key: do_job(job.text, job.key).checksum for job in plan.jobs}


def test_a_cluster_gives_the_same_bits(tmp_path: Path, scheduler, start: Start) -> None:
    plan, (address, _) = plan_of(3, searched=True), scheduler
    for _ in range(2):
        worker(start, address)
    told = Told()
    assert run(plan, tmp_path, address, patience=Patience(), told=told) == (alone(plan), {})
    assert all("worker" in text for text in told), told


def test_a_worker_with_other_software_is_refused(tmp_path: Path, scheduler, start: Start) -> None:
    """The same version, one comment more in its code; and one that has nothing of ours."""
    plan, (address, _) = plan_of(3), scheduler
    other, none = copy_of_the_code(tmp_path / "other"), tmp_path / "none"
    for package in ("roommodes", "solvers"):
        (none / package).mkdir(parents=True)
        (none / package / "__init__.py").touch()
    with (other / "roommodes" / "errors.py").open("a") as stream:
        stream.write("# another line\n")
    worker(start, address, other)
    worker(start, address, none)
    told = Told()
    with pytest.raises(SchedulerUnusable, match=r"no worker that can be used was there for 20 s; .*run again"):
        run(plan, tmp_path, address, patience=Patience(workers_s=20.0), told=told)
    assert not finished_jobs(plan, store_of(tmp_path / "study.h5"))
    refused = [text for text in told if "is not used" in text]
    assert any(re.search(r"There: roommodes \S+, code [0-9a-f]{16}; .*Install the same on all", one) for one in refused)
    assert any("There: none that answers" in one for one in refused)
    worker(start, address)  # one of ours: it does all of them
    told.clear()
    assert run(plan, tmp_path, address, patience=Patience(), told=told) == (alone(plan), {})
    assert any("is not used" in text for text in told)


FORGED = """

class Trap:
    def __reduce__(self):
        where = "('link' if 'cluster_link' in ' '.join(__import__('sys').orig_argv) else 'elsewhere')"
        return eval, (f"open({mark!r} + {{where}}, 'w').close()",)


def replied(work, text, key):
    {act}
"""


@pytest.mark.parametrize("act", ["return Trap()", "raise ValueError(Trap())", "return {{'data': [Trap()]}}"])
def test_a_worker_that_lies_about_its_software_and_sends_traps(
    tmp_path: Path, scheduler, start: Start, act: str
) -> None:
    """Read as usual, its answers would make a file here; they are named, and nothing is run."""
    plan, (address, _) = plan_of(1), scheduler
    forged, mark = copy_of_the_code(tmp_path / "forged"), tmp_path / "mark-"
    (forged / "solvers" / "study" / "software.py").write_text(
        f"def software():\n    return {plan.expected.software!r}\n\ndef processor():\n    return ''\n"
    )
    with (forged / "solvers" / "study" / "replies.py").open("a") as stream:
        stream.write(FORGED.format(mark=str(mark), act=act.format()))
    worker(start, address, forged)
    done, failures = run(plan, tmp_path, address, patience=Patience(workers_s=60.0))
    assert not done
    assert len(failures) == 1
    assert not (tmp_path / "mark-link").exists()
    if "raise" in act:
        assert (tmp_path / "mark-elsewhere").exists(), "the worker itself was caught in its trap: it does work"


def test_a_cluster_under_tls(tmp_path: Path, start: Start, monkeypatch: pytest.MonkeyPatch) -> None:
    """As docs/researcher.md says: one certificate for all, given to each; without it nobody is let in."""
    if shutil.which("openssl") is None:
        pytest.skip("needs openssl, to make a certificate")
    key, certificate = tmp_path / "key.pem", tmp_path / "cert.pem"
    make = f"openssl req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=study -keyout {key} -out {certificate}"
    subprocess.run([*make.split(), "-addext", "subjectAltName=IP:127.0.0.1"], check=True, capture_output=True)
    files = ("--tls-ca-file", str(certificate), "--tls-cert", str(certificate), "--tls-key", str(key))
    address, _ = begin_scheduler(start, protocol="tls", more=files)
    worker(start, address, more=files)
    plan = plan_of(2)
    with pytest.raises(SchedulerUnusable, match="no scheduler answers"):
        run(plan, tmp_path, address)
    for name, path in (("CA_FILE", certificate), ("CLIENT__CERT", certificate), ("CLIENT__KEY", key)):
        monkeypatch.setenv(f"DASK_DISTRIBUTED__COMM__TLS__{name}", str(path))
    assert run(plan, tmp_path, address, patience=Patience()) == (alone(plan), {})


def test_a_scheduler_that_dies(tmp_path: Path, scheduler, start: Start) -> None:
    plan, (address, process) = plan_of(60), scheduler
    worker(start, address)
    told = Told()

    def kill_in_the_middle(told: Told) -> bool:
        if len(told.events) == 3:
            os.killpg(process.pid, signal.SIGKILL)
        return False

    with pytest.raises(SchedulerUnusable, match="what was finished is kept: run again") as caught:
        run(
            plan,
            tmp_path,
            address,
            work=SLOW,
            patience=Patience(silence_s=20.0, workers_s=120.0),
            told=told,
            stop=kill_in_the_middle,
        )
    assert caught.value.exit_code == 5
    assert 3 <= len(finished_jobs(plan, store_of(tmp_path / "study.h5"))) < 60


def test_a_scheduler_that_falls_silent(tmp_path: Path, scheduler, start: Start) -> None:
    plan, (address, process) = plan_of(60), scheduler
    worker(start, address)

    def freeze_in_the_middle(told: Told) -> bool:
        if len(told.events) == 3:
            os.killpg(process.pid, signal.SIGSTOP)
        return False

    with pytest.raises(SchedulerUnusable, match="the scheduler was silent for 5 s; what was finished is kept"):
        run(
            plan,
            tmp_path,
            address,
            work=SLOW,
            patience=Patience(silence_s=5.0, workers_s=120.0),
            stop=freeze_in_the_middle,
        )


def test_workers_that_are_not_there_and_one_that_comes_late(tmp_path: Path, scheduler, start: Start) -> None:
    plan, (address, _) = plan_of(2), scheduler
    told = Told()
    with pytest.raises(SchedulerUnusable, match=r"no worker that can be used was there for 4 s; start one with"):
        run(plan, tmp_path, address, told=told)
    assert told == [
        f"{address}: no worker is there that can be used; waiting up to 4 s; start one with `dask worker {address}`"
    ]
    late = threading.Timer(4.0, worker, [start, address])
    late.start()
    assert run(plan, tmp_path, address, patience=Patience()) == (alone(plan), {})
    late.join()


def test_asked_to_stop_without_workers(tmp_path: Path, scheduler) -> None:
    asked = threading.Event()
    threading.Timer(2.0, asked.set).start()
    with pytest.raises(Interrupted, match="0 of 2 rooms are finished and kept"):
        run(plan_of(2), tmp_path, scheduler[0], patience=Patience(), stop=lambda told: asked.is_set())


@contextlib.contextmanager
def silent_port() -> Iterator[int]:
    """Accepts whoever comes, and says nothing."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server.getsockname()[1]


@contextlib.contextmanager
def web_server() -> Iterator[int]:
    with http.server.HTTPServer(("127.0.0.1", 0), http.server.BaseHTTPRequestHandler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield server.server_port
        server.shutdown()


@contextlib.contextmanager
def talker() -> Iterator[int]:
    """Answers everything with what was never asked for."""

    def serve(server: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while True:
                one, _ = server.accept()
                with one, contextlib.suppress(OSError):
                    one.sendall(bytes(range(256)) * 64)

    with socket.create_server(("127.0.0.1", 0)) as server:
        threading.Thread(target=serve, args=[server], daemon=True).start()
        yield server.getsockname()[1]


@pytest.mark.parametrize("other_side", [silent_port, web_server, talker])
def test_a_port_on_which_no_scheduler_is(tmp_path: Path, other_side, capfd: pytest.CaptureFixture[str]) -> None:
    with other_side() as port:
        address = f"tcp://127.0.0.1:{port}"
        with pytest.raises(SchedulerUnusable, match=rf"{address}: no scheduler answers .*`dask scheduler`"):
            run(plan_of(2), tmp_path, address)
    capfd.readouterr()  # what the web server noted


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nowhere at all", ""])
def test_an_address_without_a_scheduler(tmp_path: Path, address: str) -> None:
    with pytest.raises(SchedulerUnusable, match="no scheduler answers"):
        run(plan_of(2), tmp_path, address)


def test_one_signal_is_enough_while_a_port_is_silent(tmp_path: Path) -> None:
    asked = threading.Event()
    threading.Timer(3.0, asked.set).start()
    with silent_port() as port, pytest.raises(Interrupted):
        run(plan_of(2), tmp_path, f"tcp://127.0.0.1:{port}", patience=Patience(), stop=lambda told: asked.is_set())


def test_errors_that_cannot_be_made_anew_are_told(tmp_path: Path, scheduler, start: Start) -> None:
    """One that the job raises, and one that strikes the worker outside of it."""
    plan, (address, _) = plan_of(2), scheduler
    worker(start, address)
    _, failures = run(plan, tmp_path, address, work=RAISING, patience=Patience())
    assert set(failures.values()) == {"CannotCross: no such room"}


def test_a_job_that_kills_its_workers_is_set_aside(tmp_path: Path, scheduler, start: Start) -> None:
    plan, (address, _) = plan_of(2), scheduler
    words = ("--nworkers", "2", "--nthreads", "1", "--no-dashboard")
    start("distributed.cli.dask_worker", address, *words)  # with nannies, which start a new one for each that dies
    done, failures = run(plan, tmp_path, address, work="tests.studies.texts:deadly_job", patience=Patience())
    assert set(failures.values()) == {"set aside: the worker died 4 times"}
    assert len(done) == len(failures) == 1


def test_a_job_whose_worker_ends_before_its_result_is_fetched_is_given_again() -> None:
    """The scheduler then calls a finished job lost: no reason to end the study."""
    given, said = [], io.BytesIO()
    link = Link(said)

    def submit(*words: object, **_: object) -> SimpleNamespace:
        given.append(words)
        return SimpleNamespace(status="lost", add_done_callback=lambda _: None, cancel=lambda force: None)

    link._client, link._work = SimpleNamespace(submit=submit), lambda text, key: b""
    link.give("one", "a room")
    link._ended("one", link._given["one"].future)
    assert [words[2:] for words in given] == [("a room", "one")] * 2
    assert said.getvalue() == b""


def test_a_study_on_the_command_line_stops_at_one_signal(tmp_path: Path, scheduler) -> None:
    (tmp_path / "tiny.toml").write_text(tiny(4))
    command = [sys.executable, "-m", "cli.main", "study", "tiny.toml", "--scheduler", scheduler[0]]
    with subprocess.Popen(
        command, cwd=tmp_path, stderr=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(ROOT)}
    ) as process:
        assert process.stderr is not None
        assert "no worker is there that can be used; waiting up to 300 s" in process.stderr.readline()
        process.send_signal(signal.SIGINT)
        began = time.monotonic()
        rest = process.stderr.read()
        assert process.wait() == 130
        assert time.monotonic() - began < 20.0
    assert "interrupted: 0 of 4 rooms are finished and kept" in rest
    assert "Traceback" not in rest
