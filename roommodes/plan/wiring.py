"""Which sub of a plan hangs on which channel of which amplifier, and what does not go together there.

One channel gives one signal: what hangs on it has one gain, one delay and the same filters. A sub whose polarity
differs has its wires swapped at the cabinet. Where the project names no subs, two with shared settings
(`shared_drives`) hang on one channel, as the search pairs them; an odd one and those that are fixed have their own.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats, Integers
from roommodes.plan.drives import Drives
from roommodes.project.project import Project
from roommodes.subwoofer.channels import Channel, channels_of

SAME_DB, SAME_S = 1e-6, 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Wired:
    """The channels of a plan.

    Parameters
    ----------
    channels : in use, in the order of the amplifiers.
    faults : what cannot be wired so, in sentences; none in a plan that can.
    raised_db : (n_sub,) see `Project.raised_db`; empty where all subs have one voltage at 0 dB.
    kind : (n_sub,) which of the project's kinds of subwoofer each is.
    """

    channels: tuple[Channel, ...]
    faults: tuple[str, ...] = ()
    raised_db: tuple[float, ...] = ()
    kind: tuple[int, ...] = ()

    def kind_on(self, channel: Channel) -> int:
        """The kind of the subs on a channel."""
        return self.kind[channel.subs[0]] if self.kind else 0

    @property
    def shared(self) -> bool:
        """Whether any channel has several subs."""
        return any(channel.shared for channel in self.channels)

    def of(self, sub: int) -> Channel:
        """The channel of a sub, from 0."""
        return next(channel for channel in self.channels if sub in channel.subs)

    def raised(self, n_sub: int) -> Floats:
        """`raised_db` of all subs: (n_sub,) [dB]."""
        return np.array(self.raised_db) if self.raised_db else np.zeros(n_sub)


def wired(
    project: Project,
    drives: Drives,
    fixed: Sequence[bool] | NDArray[np.bool_] = (),
    raised_db: tuple[float, ...] = (),
    kind: Integers | None = None,
) -> Wired:
    """What hangs where.

    Parameters
    ----------
    project : with its amplifiers.
    drives : gain, delay and polarity of each sub.
    fixed : (n_sub,) whether each must stand where it stands; left out, none must.
    raised_db : (n_sub,) see `Project.raised_db`.
    kind : (n_sub,) which of the project's kinds of subwoofer each is; left out, the first.
    """
    amplifiers = project.amplifiers
    kind = np.zeros(len(drives), dtype=np.int64) if kind is None else kind
    groups = _groups(
        drives, kind, [bool(one) for one in fixed] or [False] * len(drives), paired=project.search.shared_drives
    )
    channels, left = channels_of(groups, amplifiers, [project.kinds[one].amplifier for one in kind])
    faults = []
    if left:
        there = sum(one.channels for one in amplifiers)
        faults.append(
            f"the plan needs {len(channels)} amplifier channels; [[amplifiers]] have {there}. Give more channels, name "
            "in `subs` what shares one, or search with shared_drives = true."
        )
    for channel in channels:
        if words := _apart(drives, channel):
            faults.append(words)
        if len({*(names := [project.kinds[kind[sub]].name for sub in channel.subs])}) > 1:
            subs = " and ".join(f"{sub + 1} ({name})" for sub, name in zip(channel.subs, names, strict=True))
            faults.append(
                f"subs {subs} hang on channel {channel.output} of {channel.amplifier or 'one amplifier'} and are of "
                "different kinds; subs on one channel are alike here. Give each a channel."
            )
    return Wired(channels=channels, faults=tuple(faults), raised_db=raised_db, kind=tuple(int(one) for one in kind))


def wired_at(
    project: Project,
    drives: Drives,
    position_m: Floats,
    raised_db: tuple[float, ...] = (),
    kind: Integers | None = None,
) -> Wired:
    """What hangs where, of subs at some positions: (n_sub, 3) [m]; `raised_db` and `kind` as in `wired`."""
    return wired(project, drives, project.fixed_at(position_m), raised_db, kind)


def limit_at(
    project: Project,
    drives: Drives,
    frequency_hz: Floats,
    position_m: Floats,
    raised_db: tuple[float, ...] = (),
    kind: Integers | None = None,
) -> Floats | None:
    """`common_limit_db` of subs at some positions: (n_sub, 3) [m] -> (n_freq,) [dB re 20 uPa]; None where not known."""
    return common_limit_db(project, drives, frequency_hz, wired_at(project, drives, position_m, raised_db, kind))


def common_limit_db(project: Project, drives: Drives, frequency_hz: Floats, on: Wired) -> Floats | None:
    """Highest clean level at 1 m of a sub with the loudest one's gain when the first meets its limit: (n_freq,) [dB].

    For subs that are alike and each on a channel of its own it is the limit of one of them; of several kinds it
    counts from one of the first, as levels do.
    """
    limits = common_limits_db(project, drives.gain_db[None], frequency_hz, [on])
    return None if limits is None else np.asarray(limits[0])


def common_limits_db(project: Project, gain_db: Floats, frequency_hz: Floats, on: Sequence[Wired]) -> Floats | None:
    """`common_limit_db` of several plans: (n_plan, n_sub) [dB], one `Wired` for each -> (n_plan, n_freq) [dB].

    What a channel lets its subs do is worked out once for all plans that are wired alike.
    """
    found = np.full((len(gain_db), len(frequency_hz)), np.inf)
    rows: dict[Wired, list[int]] = {}
    for row, one in enumerate(on):
        rows.setdefault(one, []).append(row)
    for one, alike in rows.items():
        gain = gain_db[alike]
        loudest, raised = gain.max(axis=1), gain + one.raised(gain.shape[1])
        for channel in one.channels:
            limits = project.sub_limits(frequency_hz, channel, one.kind_on(channel))
            if limits is None:
                return None
            below = loudest - raised[:, channel.subs].max(axis=1)
            found[alike] = np.minimum(found[alike], limits.highest_db + below[:, None])
    return found


def _groups(drives: Drives, kind: Integers, fixed: Sequence[bool], *, paired: bool) -> list[tuple[int, ...]]:
    """Every sub by itself, or in pairs of equal settings."""
    groups: list[tuple[int, ...]] = []
    for sub in range(len(drives)):
        mate = next(
            (
                k
                for k, group in enumerate(groups)
                if paired
                and len(group) == 1
                and not (fixed[sub] or fixed[group[0]])
                and _same(drives, sub, group[0])
                and drives.polarity[sub] == drives.polarity[group[0]]
                and kind[sub] == kind[group[0]]
            ),
            None,
        )
        if mate is None:
            groups.append((sub,))
        else:
            groups[mate] = (*groups[mate], sub)
    return groups


def _same(drives: Drives, one: int, other: int) -> bool:
    gain = abs(float(drives.gain_db[one] - drives.gain_db[other]))
    return gain < SAME_DB and abs(float(drives.delay_s[one] - drives.delay_s[other])) < SAME_S


def _apart(drives: Drives, channel: Channel) -> str:
    """What differs on a channel although it has one signal; empty where nothing does."""
    if all(_same(drives, sub, channel.subs[0]) for sub in channel.subs):
        return ""
    subs = " and ".join(str(sub + 1) for sub in channel.subs)
    given = "; ".join(
        f"sub {sub + 1}: {drives.gain_db[sub] + 0.0:z.1f} dB, {1e3 * drives.delay_s[sub]:z.2f} ms"
        for sub in channel.subs
    )
    return (
        f"subs {subs} hang on channel {channel.output} of {channel.amplifier or 'one amplifier'}, which gives both one "
        f"signal, and the plan sets them apart ({given}). Search with shared_drives = true, or give each a channel."
    )
