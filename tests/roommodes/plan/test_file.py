"""The results file keeps its contract, opens in xarray, and survives what is done to it."""

from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
import xarray

from roommodes.errors import FileUnusable
from roommodes.plan.file import FORMAT, read_results, results_image, write_results
from roommodes.plan.plan import Results
from roommodes.storage.seal import LENGTH
from roommodes.storage.stamp import Made
from tests.roommodes.plan.stored import N_CANDIDATE, N_FREQ, N_SEAT, TOML, assert_same, some_results


@pytest.fixture
def results() -> Results:
    return some_results()


@pytest.fixture
def plan(tmp_path: Path, results: Results) -> Path:
    path = tmp_path / "plan.h5"
    write_results(path, results, force=False)
    return path


def test_what_is_written_is_read(plan: Path, results: Results) -> None:
    assert_same(results, read_results(plan))


def test_same_results_same_bytes(results: Results) -> None:
    assert results_image(results) == results_image(results)


def test_the_contract_of_names_types_and_units(plan: Path) -> None:
    """Names, axes and units as the project's design fixes them."""
    expected = {
        "frequency_hz": ("f8", (N_FREQ,), "Hz"),
        "seats/position_m": ("f8", (N_SEAT, 3), "m"),
        "seats/name": ("O", (N_SEAT,), "1"),
        "seats/weight": ("f8", (N_SEAT,), "1"),
        "candidates/position_m": ("f8", (N_CANDIDATE, 3), "m"),
        "candidates/zone": ("O", (N_CANDIDATE,), "1"),
        "transfer": ("c16", (N_FREQ, N_SEAT, N_CANDIDATE), "1/m"),
        "plans/2/candidate_index": ("i8", (4, 2), "1"),
        "plans/2/gain_db": ("f8", (4, 2), "dB"),
        "plans/2/delay_s": ("f8", (4, 2), "s"),
        "plans/2/polarity": ("i1", (4, 2), "1"),
        "plans/2/variation_db": ("f8", (4,), "dB"),
        "plans/2/output_db": ("f8", (4,), "dB"),
        "plans/2/level_db": ("f8", (4, N_FREQ, N_SEAT), "dB"),
    }
    with h5py.File(plan) as file:
        assert file.attrs["format"] == FORMAT == "roommodes plan"
        assert file.attrs["format_version"] == 1
        assert file.attrs["seed"] == 2**53
        for name in ("software_version", "created_utc", "project_sha256"):
            assert isinstance(file.attrs[name], str)
        assert file["project_toml"].asstr()[()] == TOML
        for path, (dtype, shape, unit) in expected.items():
            assert file[path].dtype == np.dtype(dtype), path
            assert file[path].shape == shape, path
            assert file[path].attrs["unit"] == unit, path

        def every_dataset_says_what_it_is(path: str, item: object) -> None:
            if isinstance(item, h5py.Dataset):
                assert item.attrs["unit"], path
                assert item.attrs["long_name"], path
                for dimension in item.dims if not item.is_scale else ():
                    assert len(dimension) == 1, f"{path} lacks a dimension scale"

        file.visititems(every_dataset_says_what_it_is)
        assert file["plans/2"].attrs["stop"] == "every layout was tried"
        assert file["plans/2"].attrs["layouts_searched"] == 7
        assert [int(file[f"plans/{n}"].attrs["exhaustive"]) for n in (1, 2)] == [1, 0]


@pytest.mark.parametrize("group", [None, "seats", "candidates", "plans/1", "plans/2"])
def test_xarray_opens_every_group(plan: Path, group: str | None) -> None:
    with xarray.open_dataset(plan, engine="h5netcdf", phony_dims="sort", group=group) as data:
        data.load()
        assert not any(str(dimension).startswith("phony") for dimension in data.dims)
        if group is None:
            assert data.transfer.dims == ("frequency_hz", "seat", "candidate")
            assert data.transfer.dtype == np.complex128
            assert data.frequency_hz.attrs["unit"] == "Hz"
        if group == "plans/2":
            assert data.level_db.dims == ("rank", "frequency_hz", "seat")
            assert data.gain_db.dims == ("rank", "sub")


def test_large_arrays_are_packed_with_plain_filters(tmp_path: Path, results: Results) -> None:
    large = replace(results, transfer=np.ones((N_FREQ, N_SEAT, N_CANDIDATE), dtype=complex).repeat(1, axis=0))
    frequencies = 200
    large = replace(
        large,
        frequency_hz=np.geomspace(20, 120, frequencies),
        transfer=np.ones((frequencies, N_SEAT, N_CANDIDATE), dtype=complex),
        plans={},
        tuning=None,
        crossover=None,
        measured=None,
    )
    write_results(tmp_path / "large.h5", large, force=False)
    with h5py.File(tmp_path / "large.h5") as file:
        assert (file["transfer"].compression, file["transfer"].shuffle, file["transfer"].fletcher32) == (
            "gzip",
            True,
            True,
        )
    assert_same(large, read_results(tmp_path / "large.h5"))


def test_the_size_is_foreseen(plan: Path, results: Results) -> None:
    assert results_image(results).__sizeof__() <= results.size_bytes


def test_an_existing_file_is_kept_unless_forced(plan: Path, results: Results) -> None:
    before = plan.read_bytes()
    with pytest.raises(FileUnusable, match="exists already"):
        write_results(plan, results, force=False)
    assert plan.read_bytes() == before
    write_results(plan, replace(results, made=Made.now(2)), force=True)
    assert read_results(plan).seed == 2


def test_a_file_may_be_replaced_while_another_program_reads_it(plan: Path, results: Results) -> None:
    with h5py.File(plan) as held:
        write_results(plan, replace(results, made=Made.now(2)), force=True)
        assert held.attrs["seed"] == 2**53
    assert read_results(plan).seed == 2


def refused(path: Path, message: str) -> None:
    with pytest.raises(FileUnusable, match=message) as caught:
        read_results(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)
    assert caught.value.exit_code == 5


def test_files_of_other_kinds(tmp_path: Path, plan: Path) -> None:
    refused(tmp_path / "none.h5", "does not exist")
    refused(tmp_path, "is a folder")
    (tmp_path / "empty.h5").touch()
    refused(tmp_path / "empty.h5", "is empty")
    (tmp_path / "text.h5").write_text("format = 1\n")
    refused(tmp_path / "text.h5", "cannot be read as an HDF5 file")
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["x"] = 1
    refused(tmp_path / "other.h5", "not a roommodes plan")


def test_a_newer_format_is_not_guessed_at(plan: Path) -> None:
    with h5py.File(plan, "r+") as file:
        file.attrs["format_version"] = 2
    refused(plan, r"format version 2; this program reads up to 1; update")


@pytest.mark.parametrize("keep", [0.2, 0.5, 0.9, 0.99])
def test_a_file_cut_short(plan: Path, keep: float) -> None:
    data = plan.read_bytes()
    plan.write_bytes(data[: int(len(data) * keep)])
    refused(plan, "cut short|damaged")


def test_no_flipped_bit_passes(plan: Path) -> None:
    data = plan.read_bytes()
    rng = np.random.default_rng(1)
    for position, bit in zip(rng.integers(0, len(data), 400), rng.integers(0, 8, 400), strict=True):
        broken = bytearray(data)
        broken[position] ^= 1 << bit
        plan.write_bytes(bytes(broken))
        refused(plan, "is damaged: its contents are not those that were written")


def test_flipped_bytes_of_a_file_without_a_seal_never_end_in_a_traceback(plan: Path) -> None:
    """Of a plan of before there were seals: every damaged byte gives FileUnusable or a file that still reads."""
    data = plan.read_bytes()[:-LENGTH]
    rng = np.random.default_rng(1)
    unusable = 0
    for position in rng.integers(0, len(data), 150):
        broken = bytearray(data)
        broken[position] ^= 0xFF
        plan.write_bytes(bytes(broken))
        try:
            read_results(plan)
        except FileUnusable:
            unusable += 1
    assert unusable > 10


def change(path: str, value: object, **attributes: object):
    def act(file: h5py.File) -> None:
        if path in file:
            del file[path]
        if value is not None:
            file[path] = value

    return act


@pytest.mark.parametrize(
    ("act", "message"),
    [
        (change("transfer", None), "/transfer is missing"),
        (change("transfer", np.zeros((N_FREQ, N_SEAT, N_CANDIDATE))), "/transfer has type float64"),
        (change("transfer", np.zeros((N_FREQ, N_SEAT, 2), complex)), r"/transfer has shape .* candidate 5\]"),
        (change("transfer", np.full((N_FREQ, N_SEAT, N_CANDIDATE), np.nan + 0j)), "not finite"),
        (change("frequency_hz", np.geomspace(20, 120, N_FREQ)[::-1]), "frequencies do not rise"),
        (change("seats/name", np.arange(N_SEAT)), "/seats/name has type int64; expected text"),
        (change("seats/position_m", np.zeros((N_SEAT, 2))), r"/seats/position_m has shape"),
        (change("seats/position_m", np.zeros((0, 3))), r"/seats/position_m is empty"),
        (change("seats/position_m", h5py.Empty("f8")), "damaged"),
        (change("plans/2/candidate_index", np.full((4, 2), N_CANDIDATE)), "points past the 5 candidates"),
        (change("plans/2/polarity", np.zeros((4, 2), np.int8)), "other than"),
        (change("plans/2/delay_s", np.full((4, 2), -1.0)), "below zero"),
        (change("plans/2/gain_db", np.zeros((4, 3))), "/plans/2/gain_db has shape"),
        (change("plans/two", np.zeros(1)), "/plans/two is not a group named by a number"),
        (change("plans", None), "/plans is missing"),
        (change("project_toml", "something else"), "project text was changed"),
        (change("project_toml", 5), "/project_toml is not one text"),
        (lambda file: file.attrs.pop("seed"), "attribute seed .* is missing"),
        (lambda file: file.attrs.__setitem__("seed", "one"), "attribute seed .* is 'one'; expected int"),
        (lambda file: file.attrs.__setitem__("format_version", 0), "versions begin at 1"),
        (lambda file: file["plans/2"].attrs.pop("stop"), "attribute stop of /plans/2 is missing"),
    ],
)
def test_wrong_contents_are_named(plan: Path, act, message: str) -> None:
    with h5py.File(plan, "r+") as file:
        act(file)
    refused(plan, message)


def test_a_plain_file_of_the_contract_alone_is_enough(plan: Path, results: Results) -> None:
    """Rows and mirror images are extras: a file without them still reads."""
    with h5py.File(plan, "r+") as file:
        del file["seats/row"]
        del file["candidates/mirror_of"]
    read = read_results(plan)
    assert read.seats.row.tolist() == [0, 0, 0]
    assert read.candidates.mirror_of.tolist() == [-1] * N_CANDIDATE


def external_link(file: h5py.File, other: Path) -> None:
    file["stolen"] = h5py.ExternalLink(str(other), "/secret")


def soft_link(file: h5py.File, other: Path) -> None:
    file["stolen"] = h5py.SoftLink("/transfer")


def external_storage(file: h5py.File, other: Path) -> None:
    file.create_dataset("stolen", (8,), "u1", external=[(str(other), 0, 8)])


def virtual_dataset(file: h5py.File, other: Path) -> None:
    layout = h5py.VirtualLayout((4,), "f8")
    layout[:] = h5py.VirtualSource(str(other), "secret", (4,))
    file.create_virtual_dataset("stolen", layout)


def unknown_filter(file: h5py.File, other: Path) -> None:
    file.create_dataset("stolen", data=np.arange(1000), compression="lzf")


def huge_claim(file: h5py.File, other: Path) -> None:
    file.create_dataset("stolen", (10**6, 10**6), "f8", chunks=(100, 100))


def huge_chunks(file: h5py.File, other: Path) -> None:
    file.create_dataset("stolen", (2**26,), "f8", chunks=(2**26,), maxshape=(None,))


def deep_nest(file: h5py.File, other: Path) -> None:
    file.create_group("a/b/c/d/e/f")


def many_objects(file: h5py.File, other: Path) -> None:
    for index in range(2001):
        file.create_group(f"many/{index}")


def endless_loop(file: h5py.File, other: Path) -> None:
    file["plans/loop"] = file["/"]


def named_type(file: h5py.File, other: Path) -> None:
    file["stolen"] = np.dtype("f8")


@pytest.mark.parametrize(
    ("act", "message"),
    [
        (external_link, "/stolen is a link to elsewhere"),
        (soft_link, "/stolen is a link to elsewhere"),
        (external_storage, "/stolen keeps its data in another file"),
        (virtual_dataset, "/stolen keeps its data in another file"),
        (unknown_filter, r"/stolen is packed with filters \[32000\]"),
        (huge_claim, "claims over 1 GiB"),
        (huge_chunks, "chunks of over 256 MiB"),
        (deep_nest, "nested"),
        (many_objects, "nested or split|over 2000 objects"),
        (endless_loop, "nested"),
        (named_type, "neither a group nor a dataset"),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_what_reaches_out_of_the_file_is_refused(tmp_path: Path, plan: Path, act, message: str) -> None:
    other = tmp_path / "other.h5"
    with h5py.File(other, "w") as file:
        file["secret"] = np.arange(4.0)
    with h5py.File(plan, "r+") as file:
        act(file, other)
    refused(plan, message)
