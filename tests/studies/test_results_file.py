"""Results and job files: what they promise to other programs, and what they refuse from strangers."""

import pickletools
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest
import xarray

from cli.formats.study_files import study_csv
from roommodes.errors import FileUnusable
from roommodes.studies.comparison_fields import COMPARISON_FIELDS, EFFECT_FIELDS, TERM_FIELDS
from roommodes.studies.reading import parse_study
from roommodes.studies.records import read_record
from roommodes.studies.results import (
    RESULT_FIELDS,
    ROOM_FIELDS,
    StudyResults,
    expected_study_bytes,
    read_study,
    study_image,
)
from solvers.study.compare import compare, comparison_columns
from solvers.study.job import run_job
from solvers.study.run import StudyPlan, plan_study, results_of, study_in_process
from tests.roommodes.plan import test_file as strangers
from tests.studies.texts import checksums, tiny


def plan_of_one() -> StudyPlan:
    return plan_study(parse_study(tiny(1), source="study.toml"))


@pytest.fixture(scope="module")
def results() -> StudyResults:
    return study_in_process(plan_study(parse_study(tiny(12), source="study.toml")))


@pytest.fixture(scope="module")
def images(results: StudyResults) -> dict[str, bytes]:
    """The bytes of a results file and of a job file."""
    job = plan_of_one().jobs[0]
    whole = study_image(results, comparison_columns(results, compare(results)))
    return {"study": whole, "job": run_job(job.text, job.key), "key": job.key.encode()}


@pytest.fixture(params=["study", "job"])
def kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def file(tmp_path: Path, images: dict[str, bytes], kind: str) -> Path:
    path = tmp_path / "file.h5"
    path.write_bytes(images[kind])
    return path


@pytest.fixture
def read(images: dict[str, bytes], kind: str) -> Callable[[Path], object]:
    if kind == "study":
        return read_study
    key, expected = images["key"].decode(), plan_of_one().expected
    return lambda path: read_record(path, key, expected)


def test_what_is_written_is_read(tmp_path: Path, images: dict[str, bytes], results: StudyResults) -> None:
    path = tmp_path / "study.h5"
    path.write_bytes(images["study"])
    read = read_study(path)
    assert checksums(read) == checksums(results)
    assert (read.seed, read.strategies, read.study_toml) == (5, results.strategies, results.study_toml)
    assert not read.failed


def test_a_study_is_made_again_from_its_results_alone(
    tmp_path: Path, images: dict[str, bytes], results: StudyResults
) -> None:
    path = tmp_path / "study.h5"
    path.write_bytes(images["study"])
    read = read_study(path)
    again = study_in_process(plan_study(parse_study(read.study_toml, source="x", table_text=read.table_text)))
    assert checksums(again) == checksums(results)


def test_xarray_opens_it_with_names_units_and_axes(
    tmp_path: Path, images: dict[str, bytes], results: StudyResults
) -> None:
    path = tmp_path / "study.h5"
    path.write_bytes(images["study"])
    with xarray.open_dataset(path, engine="h5netcdf") as data:
        for field in (*ROOM_FIELDS, *RESULT_FIELDS):
            assert data[field.path].dims == field.axes
            assert data[field.path].attrs["unit"] == field.unit
        assert data["variation_db"].sel(strategy="corner").values == pytest.approx(
            results.arrays["variation_db"][:, 0], rel=1e-12
        )
        assert data["room"].values.tolist() == list(range(1, 13))
        frame = data[["variation_db", "output_db"]].to_dataframe()  # pandas
        assert frame.loc[(1, "corner"), "variation_db"] == results.arrays["variation_db"][0, 0]
    with xarray.open_dataset(path, engine="h5netcdf", group="comparison") as data:
        assert data["mean_db"].dims == ("pair",)
        assert set(data) == {field.path for field in COMPARISON_FIELDS}
        difference = results.arrays["variation_db"][:, 0] - results.arrays["variation_db"][:, 1]
        assert data["difference_db"].values[0] == pytest.approx(difference, rel=1e-12)
    with xarray.open_dataset(path, engine="h5netcdf", group="effects") as data:
        assert set(data) == {field.path for field in EFFECT_FIELDS}
    with xarray.open_dataset(path, engine="h5netcdf", group="terms") as data:
        assert set(data) == {field.path for field in TERM_FIELDS}


def test_the_size_is_foreseen(images: dict[str, bytes], results: StudyResults) -> None:
    n_freq = len(results.frequency_hz)
    job, whole = expected_study_bytes(n_room=12, n_strategy=2, n_freq=n_freq, n_sub=2)
    assert 0.5 * job < len(images["job"]) < 2.0 * job
    assert 0.3 * whole < len(images["study"]) < 1.5 * whole


TABLE = "room,length_m,width_m,height_m,loss_factor,cost,owner,build\n" + "".join(
    f"r{k},{5 + k / 10},4.0,2.5,0.02,{k * 100 or ''},{('you', '=me')[k % 2]},{('open', 'masonry')[k % 2]}\n"
    for k in range(13)
)
SPREAD = """[[builds]]
name = "masonry"
front = "brick"
[[builds]]
name = "open"
rear = "plasterboard on studs"
[spread.brick]
alpha = 1.5
[spread."plasterboard on studs"]
mass_kg_m2 = 1.3
"""


def test_what_is_drawn_or_listed_goes_through_to_the_results(tmp_path: Path) -> None:
    """Columns of one's own, spread factors, parameters: in the file, in its xarray, in the table."""
    text = tiny(1).replace('design = "sobol"\ncount = 1\n', 'design = "table"\ntable = "rooms.csv"\n')
    start, end = text.index("length_m = "), text.index("[[seatings]]")
    text = text[:start] + SPREAD + text[end:]
    study = parse_study(text, source="study.toml", table_text=TABLE)
    results = study_in_process(plan_study(study))
    path = tmp_path / "study.h5"
    path.write_bytes(study_image(results, comparison_columns(results, compare(results))))
    read = read_study(path)
    assert read.known.properties.keys() == results.known.properties.keys()
    for name, values in results.known.properties.items():
        assert np.array_equal(read.known.properties[name], values, equal_nan=True), name
    assert read.known.units["glass_m2"] == "m2"
    assert read.known.groupings == results.known.groupings == {"owner": ("you", "=me") * 6 + ("you",)}
    cost, factor = read.known.properties["cost"], read.known.properties["brick alpha factor"]
    assert np.isnan(cost[0])
    assert cost[1:].tolist() == [100.0 * k for k in range(1, 13)]
    assert np.all((np.isfinite(factor)) == (np.array(read.rooms["build"]) == "masonry"))
    there = factor[np.isfinite(factor)]
    assert np.all((there > 1 / 1.5) & (there < 1.5))
    mass = read.known.properties["plasterboard on studs mass_kg_m2"]
    assert np.allclose(
        mass, 8.5 * read.known.properties["plasterboard on studs mass_kg_m2 factor"], rtol=1e-5, equal_nan=True
    )
    assert "brick alpha" not in read.known.properties  # the library's is a curve: its factor says it all
    with xarray.open_dataset(path, engine="h5netcdf") as data:
        assert data["property_value"].sel(property="cost").values[1:].tolist() == cost[1:].tolist()
        assert data["grouping_value"].sel(grouping="owner").values[0] == "you"
    lines = study_csv(results).decode().splitlines()
    assert "temperature_c,loss_factor,glass_m2,brick alpha factor" in lines[0]
    assert ",'=me," in lines[3]  # no table program takes it for a formula


def test_a_room_without_a_result_is_kept_with_its_reason(tmp_path: Path) -> None:
    from solvers.study.job import do_job  # noqa: PLC0415 (only here)

    plan = plan_study(parse_study(tiny(2), source="study.toml"))
    done, failed = plan.jobs
    results = results_of(plan, {done.key: do_job(done.text, done.key)}, {failed.key: "the walls fell"})
    path = tmp_path / "study.h5"
    path.write_bytes(study_image(results, comparison_columns(results, compare(results))))
    read = read_study(path)
    assert read.failed == (2,)
    assert read.rooms["status"] == ("finished", "the walls fell")
    assert np.isnan(read.arrays["variation_db"][1]).all()
    assert compare(read).pairs[0].rooms == 1


@pytest.mark.parametrize(
    ("act", "message"),
    [
        (strangers.external_link, "is a link to elsewhere"),
        (strangers.external_storage, "keeps its data in another file"),
        (strangers.virtual_dataset, "keeps its data in another file"),
        (strangers.unknown_filter, "is packed with filters"),
        (strangers.huge_claim, "claims over 1 GiB"),
        (strangers.huge_chunks, "chunks of over 256 MiB"),
        (strangers.deep_nest, "nested"),
        (strangers.many_objects, "nested or split|over 2000 objects"),
        (strangers.named_type, "neither a group nor a dataset"),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_what_reaches_out_of_the_file_is_refused(tmp_path: Path, file: Path, read, act, message: str) -> None:
    other = tmp_path / "other.h5"
    with h5py.File(other, "w") as secret:
        secret["secret"] = np.arange(4.0)
    with h5py.File(file, "r+") as changed:
        act(changed, other)
    with pytest.raises(FileUnusable, match=message):
        read(file)


def test_a_newer_format_is_not_guessed_at(file: Path, read) -> None:
    with h5py.File(file, "r+") as changed:
        changed.attrs["format_version"] += 1
    with pytest.raises(FileUnusable, match=r"has format version \d; this program reads"):
        read(file)


def change(path: str, act: Callable[[np.ndarray], None]) -> Callable[[h5py.File], None]:
    def changed(file: h5py.File) -> None:
        values = file[path][()]
        act(values)
        file[path][...] = values

    return changed


def test_values_that_no_study_has_are_refused(tmp_path: Path, images: dict[str, bytes]) -> None:
    for path, act in (
        ("volume_m3", lambda values: values.fill(-1.0)),
        ("length_m", lambda values: values.fill(np.nan)),
        ("variation_db", lambda values: values.fill(np.inf)),
        ("frequency_hz", lambda values: values.sort(axis=0) or values.__setitem__(slice(None), values[::-1].copy())),
        ("subs", lambda values: values.fill(3)),
        ("status", lambda values: values.__setitem__(0, b"lost")),
    ):
        file = tmp_path / f"{path}.h5"
        file.write_bytes(images["study"])
        with h5py.File(file, "r+") as changed:
            change(path, act)(changed)
        with pytest.raises(FileUnusable, match="holds values that no study has"):
            read_study(file)


def test_missing_and_misshapen_parts_are_named(file: Path, read) -> None:
    with h5py.File(file, "r+") as changed:
        del changed["gain_db"]
    with pytest.raises(FileUnusable, match="/gain_db is missing; the file is not complete"):
        read(file)


def test_no_pickle_is_in_any_file(images: dict[str, bytes]) -> None:
    """A pickle of protocol 2 or later begins with 0x80 and its number, and ends where its opcodes do."""
    for name in ("study", "job"):
        data = images[name]
        for start in (k for k in range(len(data) - 1) if data[k] == 0x80 and 2 <= data[k + 1] <= 5):
            try:
                opcodes = [one.name for one, _, _ in pickletools.genops(data[start : start + 4096])]
            except (ValueError, IndexError, UnicodeError, OverflowError):
                continue
            assert not {"GLOBAL", "STACK_GLOBAL", "REDUCE", "BUILD"} & set(opcodes)
    source = Path(__file__).parents[2]
    for package in ("roommodes", "solvers", "cli"):
        for module in (source / package).glob("*.py"):
            assert "import pickle" not in module.read_text(encoding="utf-8"), module
