"""Measured responses of a room on one common grid: what a calibrator's files say, checked and ready for use.

`load_manifest` reads a manifest (`manifest`) with all the files that it names, and gathers every fault of all of
them. Values are as the model's: e^{+j omega t}, a later arrival turns by e^{-j omega tau}.
"""

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from threadpoolctl import threadpool_limits

from roommodes.arrays import Complexes, Floats
from roommodes.errors import Fault, OutsideModel
from roommodes.measured.across_seats.roll_off import roll_off_notes, roll_offs
from roommodes.measured.data import (
    Common,
    Further,
    Manifest,
    MeasuredFile,
    MeasuredSeats,
    MeasuredSet,
    MeasuredSubs,
    MeasurementsInvalid,
    RollOff,
    Scale,
)
from roommodes.measured.files import FileFaulty, Impulse, Spectrum, faulty, fingerprint, read_bytes
from roommodes.measured.manifest import ManifestTables, ResponseTable, parse_manifest
from roommodes.measured.noise import noise_rms
from roommodes.measured.notes import FADE_SHARE, measured_notes
from roommodes.measured.over_time import own_points, told_s, widest_hz
from roommodes.measured.own_folder import files_elsewhere
from roommodes.measured.pattern import with_pattern
from roommodes.measured.places import Places, exchanged_set
from roommodes.measured.resampling import calibration_curve, chain_response, resampled, smoothed
from roommodes.measured.sofa import Sofa, open_sofa, read_sofa
from roommodes.measured.soundness import Suspicions, suspicions
from roommodes.measured.source_sounds import sound_notes, source_sounds
from roommodes.measured.text_table import read_calibration, read_table
from roommodes.measured.wav import read_wav, require_length, spectrum, windowed
from roommodes.project.bands.search_grid import search_grid_hz
from roommodes.project.project import Project
from roommodes.project.reading import read_text
from roommodes.responses.frequency_grid import log_grid
from roommodes.responses.wide_band import WideBand
from roommodes.toml.lines import Lines

__all__ = ["MeasuredSeats", "MeasuredSet", "MeasuredSubs", "MeasurementsInvalid", "load_manifest"]

Raw = Mapping[tuple[int, int], Spectrum | Impulse]  # (seat, sub) -> what its file holds
T = TypeVar("T")

REFERENCE_PA = 20e-6
WIDE_STEP_HZ = 1.0 / 3.0  # of all that the files tell: 3 s
NARROWER = 6  # bands that are tried, from the files' reach to the grid's own
NOISE_STEP_HZ = 0.35  # of impulse responses' spectra, where their noise is looked for: 2.9 s


def load_manifest(path: str | Path, project: Project, *, any_folder: bool = False) -> MeasuredSet:
    """Read a manifest and all its files.

    Parameters
    ----------
    path : the manifest; files are looked for beside it.
    project : whose seats and room it belongs to.
    any_folder : take files from outside the manifest's folder as well; else they are faults and are not opened.

    Raises
    ------
    ProjectInvalid : with every fault of the manifest, or of all the files.
    FileUnusable : the manifest cannot be read, or a package for its files is missing.
    """
    text = read_text(path, what="manifest", start="roommodes new --manifest")
    tables, lines = parse_manifest(text, source=str(path))
    reading = _Reading(with_pattern(tables, project), lines, project, str(path), text)
    if not any_folder:
        reading.keep_below(written=len(tables.responses))
    return reading.run()


class _Reading:
    """One reading of a manifest's files; gathers faults as it goes."""

    def __init__(self, tables: ManifestTables, lines: Lines, project: Project, source: str, text: str) -> None:
        self.tables = tables
        self.project = project
        self.source = source
        self.text = text
        self.folder = Path(source).parent
        self.places = Places(tables, lines, project)
        self.faults: list[Fault] = []
        self.unreadable: list[bool] = []
        self.opened: dict[str, bytes] = {}
        self.closed: set[str] = set()  # names that are not opened
        self.sofas: dict[str, Sofa] = {}
        search, grid = project.search, tables.grid
        low, high = grid.band_hz or search.band_hz
        self.hz = log_grid(low, high, grid.points_per_octave or search.points_per_octave)

    def keep_below(self, *, written: int) -> None:
        """Open nothing outside the manifest's folder; `written` responses are no pattern's."""
        told = set()
        for name, found in files_elsewhere(self.tables, self.folder, written=written):
            self.closed.add(name)
            if found.path not in told:
                self.places.fault(found.path, found.message)
            told.add(found.path)

    def run(self) -> MeasuredSet:
        seats = self.places.seats()
        subs = self.places.subs()
        placed = self.places.placed(seats)
        raw = {key: found for key, one in placed.items() if (found := self._read(one)) is not None}
        self._fault_rates(raw, placed)
        end_s = self._window_end(raw)
        transfer = np.full((len(self.hz), len(seats), len(subs)), np.nan, dtype=np.complex128)
        for key, found in raw.items():
            value = self._guarded(placed[key], self._on_grid, found, self.hz, end_s)
            if value is not None:
                transfer[(slice(None), *key)] = value
        chain = self._chain(self.hz)
        judged = None
        if not self.faults and not self.places.faults:
            judged = self._doubt(raw, placed, transfer, seats, subs)
        if (faults := [*self.places.faults, *self.faults]) or judged is None:
            faults.sort(key=lambda fault: (fault.file, fault.line or 0))
            unreadable = not self.places.faults and all(self.unreadable)
            raise MeasurementsInvalid(self.source, faults, unreadable=unreadable)
        stated = self.tables.reference.noise_percent
        if stated is None:
            noise = self._noise(raw, len(subs), end_s)
        else:
            noise = np.broadcast_to(0.01 * stated * np.sqrt(np.mean(np.abs(transfer) ** 2, axis=(0, 1))), chain.shape)
        noise = noise / np.abs(chain)
        transfer = transfer / chain[:, None, :]
        octave = self.tables.processing.smoothing_octave
        for key in placed:
            transfer[(slice(None), *key)] = smoothed(transfer[(slice(None), *key)], self.hz, octave=octave)
        reference = self.tables.reference
        fallen = self._roll_offs(transfer, judged.expected, subs) if reference.common_level else ()
        unlike = [one.name for one in fallen]
        sounds = source_sounds(raw, subs, seats, tables=self.tables, project=self.project, unlike=unlike)
        whole = MeasuredSet(
            name=self.tables.name,
            frequency_hz=self.hz,
            transfer=transfer,
            noise=noise,
            subs=replace(subs, sounds=sounds, roll_offs=fallen),
            seats=seats,
            scale=Scale(level=reference.level, drive_v=tuple(self.tables.drive_v(sub) for sub in range(len(subs)))),
            common=Common(level=reference.common_level, polarity=reference.common_polarity, time=reference.common_time),
            notes=(
                *measured_notes(self.tables, self.project, raw=raw, hz=self.hz, end_s=end_s, seats=seats),
                *judged.untold,
                *sound_notes(sounds),
                *roll_off_notes(fallen),
            ),
            files=tuple(MeasuredFile(path=name, sha256=fingerprint(data)) for name, data in self.opened.items()),
            manifest=Manifest(text=self.text, source=self.source),
            further=self._further(raw, transfer.shape[1:], end_s),
        )
        return exchanged_set(whole, self.project) if self.tables.exchanged else whole

    def _guarded(self, index: int, work: Callable[..., T], *arguments: Any) -> T | None:
        """The result of work on a response's file; None, and its faults kept, if the file is faulty."""
        try:
            return work(*arguments)
        except FileFaulty as fault:
            self._keep(fault, index)
        return None

    def _keep(self, fault: FileFaulty, index: int | None) -> None:
        """Faults of the file of a response, or of the calibration."""
        name = self.tables.microphone.calibration if index is None else self.tables.responses[index].file
        where = "microphone.calibration" if index is None else f"responses[{index}]"
        path = str(self.folder / (name or ""))
        fresh = [Fault(where=where, message=f.message, line=f.line, file=path) for f in fault.faults]
        self.faults += fresh
        self.unreadable += [fault.unreadable] * len(fresh)

    def _content(self, name: str) -> bytes:
        if name not in self.opened:
            self.opened[name] = read_bytes(self.folder / name)
        return self.opened[name]

    def _read(self, index: int) -> Spectrum | Impulse | None:
        one = self.tables.responses[index]
        return None if one.file in self.closed else self._guarded(index, self._parsed, one)

    def _parsed(self, one: ResponseTable) -> Spectrum | Impulse:
        data = self._content(one.file)
        suffix = Path(one.file).suffix.lower()
        if suffix == ".wav":
            return read_wav(data, channel=one.channel)
        if suffix == ".sofa":
            if one.file not in self.sofas:
                self.sofas[one.file] = open_sofa(data)
            sofa = self.sofas[one.file]
            found = read_sofa(sofa, measurement=one.measurement, receiver=one.receiver, emitter=one.emitter)
        else:
            found = read_table(data, columns=one.columns, form=one.form)
        if self.tables.reference.phase_sign == "opposite" and isinstance(found, Spectrum):
            return replace(found, value=np.conj(found.value))
        return found

    def _fault_rates(self, raw: Raw, placed: Mapping[tuple[int, int], int]) -> None:
        """Impulse responses with another sample rate than most."""
        rates = {key: found.rate_hz for key, found in raw.items() if isinstance(found, Impulse)}
        if len(set(rates.values())) < 2:
            return
        usual = max(sorted(set(rates.values())), key=list(rates.values()).count)
        for key, rate in rates.items():
            if rate != usual:
                self._keep(
                    faulty(
                        f"its sample rate is {rate:g} Hz, that of most others {usual:g} Hz: the rates are unequal. "
                        "Export all alike."
                    ),
                    placed[key],
                )

    def _window_end(self, raw: Raw) -> float | None:
        length = self.tables.processing.window_s
        starts = [found.start_s for found in raw.values() if isinstance(found, Impulse)]
        return None if length is None or not starts else max(starts) + length

    def _on_grid(self, found: Spectrum | Impulse, hz: Floats, end_s: float | None) -> Complexes:
        if isinstance(found, Spectrum):
            return resampled(found, hz) * self._scale(found)
        return self._spectrum(found, hz, end_s)

    def _spectrum(self, found: Impulse, hz: Floats, end_s: float | None) -> Complexes:
        fade = FADE_SHARE * (self.tables.processing.window_s or 0.0)
        cut = found if end_s is None else windowed(found, end_s=end_s, fade_s=fade)
        require_length(cut, float(hz[0]), float(hz[-1]))
        return spectrum(cut, hz) * self._scale(found)

    def _further(self, raw: Raw, size: tuple[int, ...], end_s: float | None) -> Further | None:
        """The responses on the search's grid, and over all that the files tell; None where the bands do not meet."""
        search = self.project.search
        low, high = max(self.hz[0], search.band_hz[0]), min(self.hz[-1], search.band_hz[1])
        if low >= high:
            return None
        search_hz = search_grid_hz(search, self.project.mains, band_hz=(float(low), float(high)))
        told = min(told_s(one, float(low), float(high), end_s) for one in raw.values())
        ends = widest_hz(raw, self.hz)
        for low, high in zip(*(np.geomspace(end, near, NARROWER) for end, near in ends), strict=True):
            hz = np.arange(np.ceil(low / WIDE_STEP_HZ), np.floor(high / WIDE_STEP_HZ) + 1.0) * WIDE_STEP_HZ
            with suppress(FileFaulty):
                wide = WideBand(frequency_hz=hz, transfer=self._freed(raw, size, hz, end_s), told_s=told)
                return Further(search_hz=search_hz, search_transfer=self._freed(raw, size, search_hz, end_s), wide=wide)
        return None

    def _freed(self, raw: Raw, size: tuple[int, ...], hz: Floats, end_s: float | None) -> Complexes:
        """The responses on a grid, freed of the chain and smoothed: (n_freq, n_seat, n_sub); FileFaulty beyond them."""
        chain = self._chain(hz, faults_kept=False)
        transfer = np.full((len(hz), *size), np.nan, dtype=np.complex128)
        octave = self.tables.processing.smoothing_octave
        for (seat, sub), found in raw.items():
            value = self._on_grid(found, hz, end_s) / chain[:, sub]
            transfer[:, seat, sub] = smoothed(value, hz, octave=octave)
        return transfer

    def _scale(self, found: Spectrum | Impulse) -> float:
        """What a file's values are multiplied by."""
        reference = self.tables.reference
        if reference.level != "pascal":
            return 1.0
        return REFERENCE_PA if isinstance(found, Spectrum) else reference.full_scale_pa or 1.0

    def _noise(self, raw: Raw, n_sub: int, end_s: float | None) -> Floats:
        """Rms of the noise in each sub's responses on the grid, before the chain is divided out: (n_freq, n_sub)."""
        found = np.full((len(self.hz), n_sub), np.nan)
        low, high = float(self.hz[0]), float(self.hz[-1])
        for sub in range(n_sub) if not self.tables.processing.smoothing_octave else ():
            own = [one for (_, column), one in raw.items() if column == sub]
            impulses = [one for one in own if isinstance(one, Impulse)]
            spectra = [one for one in own if isinstance(one, Spectrum)]
            if impulses and not spectra:
                longest = max(len(one.sample) / one.rate_hz for one in impulses)
                hz = np.arange(low, high, max(NOISE_STEP_HZ, 1.0 / longest))
                values = [self._spectrum(one, hz, end_s) for one in impulses]
            elif spectra and not impulses and all(np.array_equal(one.hz, spectra[0].hz) for one in spectra):
                hz, _ = own_points(spectra[0], low, high)
                values = [own_points(one, low, high)[1] * self._scale(one) for one in spectra]
            else:
                continue
            with threadpool_limits(1):  # matrices of 48 points: more threads would only wait for each other
                found[:, sub] = noise_rms(hz, np.stack(values, axis=1), self.hz)
        return found

    def _chain(self, hz: Floats, *, faults_kept: bool = True) -> Complexes:
        """What is divided out: (n_freq, n_sub); of no use where it has a fault, which is kept or raised."""
        chains: list[Complexes] = []
        nothing = np.ones(len(hz), dtype=np.complex128)
        left_in = self.tables.reference.chain == "left in"
        for index, sub in enumerate(self.tables.subs):
            try:
                chains.append(nothing if left_in else chain_response(sub, hz))
            except (FileFaulty, OutsideModel) as fault:
                if not faults_kept:
                    raise
                self.places.fault(("subs", index, "filters"), str(fault))
        if (name := self.tables.microphone.calibration) is not None and name not in self.closed:
            try:
                curve = calibration_curve(read_calibration(self._content(name)), hz)
                chains = [chain * curve for chain in chains]
            except FileFaulty as fault:
                if not faults_kept:
                    raise
                self._keep(fault, None)
        return np.stack(chains, axis=1) if chains else nothing[:, None]

    def _doubt(
        self,
        raw: Raw,
        placed: Mapping[tuple[int, int], int],
        transfer: Complexes,
        seats: MeasuredSeats,
        subs: MeasuredSubs,
    ) -> Suspicions:
        """What cannot be, or was lost between the files, is kept as faults."""
        suspected = suspicions(
            raw,
            {key: self.tables.responses[index] for key, index in placed.items()},
            transfer,
            tables=self.tables,
            project=self.project,
            hz=self.hz,
            seats=seats,
            subs=subs,
        )
        if suspected.of_all:
            self.places.fault(("reference",), suspected.of_all)
        for doubt in suspected.of_files:
            self._keep(faulty(doubt.message), placed[doubt.seat, doubt.sub])
        return suspected

    def _roll_offs(self, transfer: Complexes, expected: Complexes, subs: MeasuredSubs) -> tuple[RollOff, ...]:
        """Subs that fall off earlier than the others; mains and what played together are left out."""
        mains = self.project.mains.measured if self.project.mains is not None else ()
        which = [sub for sub, one in enumerate(self.tables.subs) if one.name not in mains and not one.together]
        return roll_offs(self.hz, transfer[:, :, which], expected[:, :, which], [subs.name[sub] for sub in which])
