"""Faults of subwoofers and amplifiers, each key right by itself, of what is asked of them, and of several kinds."""

from collections.abc import Iterator, Sequence
from difflib import get_close_matches
from math import pi, prod, sqrt

from roommodes.acoustics.air import Air
from roommodes.acoustics.curve import Curve
from roommodes.project.valid_parts import Found, KindPart, Parts
from roommodes.ranges import metres, number
from roommodes.responses.third_octaves import (
    FIRST_BAND,
    HALF_BAND,
    NOMINAL_HZ,
    band_named,
    edges_hz,
    nearest_band,
    nominal_hz,
)
from roommodes.subwoofer.boxed_driver import END_CORRECTION
from roommodes.subwoofer.limits import port_of
from roommodes.subwoofer.tables import BurstTable, ChannelTable, DriverTable, PortTable
from roommodes.toml.lines import Path
from roommodes.toml.values import shown

CENTRE_BEYOND_M = 0.3  # an acoustic centre may lie so far before the cabinet's faces
_AXES_OF_FACE = {"front": (1, 2), "rear": (1, 2), "left": (0, 2), "right": (0, 2), "top": (0, 1), "bottom": (0, 1)}


def subwoofer_faults(parts: Parts) -> list[Found]:
    """All faults of [subwoofer] or [[subwoofers]], and of [target] and [search] against them."""
    found = [*_band(parts)] if parts.chain.subs else []
    air = Air() if parts.building.room is None else Air(temperature_c=parts.building.room.temperature_c)
    for one in parts.chain.subs:
        found += [*_unlimited(parts, one), *_cabinet(one)]
        if one.table.bursts is not None:
            found += _bursts(one.table.bursts, one, parts)
        if one.table.port is not None and (one.table.driver is not None or "driver" not in one.keys):
            found += _port(one.table.port, one, air)
    return found


def _band(parts: Parts) -> Iterator[Found]:
    wished = None if parts.chain.target is None else parts.chain.target.band_hz
    if parts.search is not None and wished is not None:
        low, high = parts.search.band_hz
        if wished[0] > high or wished[1] < low:
            yield Found(
                ("target", "band_hz"),
                f"it goes from {number(wished[0])} to {number(wished[1])} Hz; search.band_hz, where levels are "
                f"worked out, from {number(low)} to {number(high)} Hz. Let the two overlap.",
            )


def _unlimited(parts: Parts, one: KindPart) -> Iterator[Found]:
    """Headroom that is asked for of a sub that does not say how loud it plays."""
    table = one.table
    if parts.search is None or table.driver or table.bursts or table.max_level_1m_db:
        return
    if one.keys & {"driver", "bursts", "max_level_1m_db"}:
        return  # said, but not validly: one message is enough
    what, where = ("a sub", "[subwoofer]") if len(one.path) == 1 else (f"the sub {shown(table.name)}", "it")
    for path, wanted in (
        (("search", "limits", "headroom_db"), parts.search.limits.headroom_db is not None),
        (("search", "weights", "headroom"), parts.search.weights.headroom > 0.0),
    ):
        if wanted:
            yield Found(
                path,
                f"nothing says how loud {what} plays, so there is no headroom to judge; give {where} a "
                "max_level_1m_db, bursts or a driver, or leave this key out.",
            )


def _cabinet(one: KindPart) -> Iterator[Found]:
    table = one.table
    offset = table.acoustic_centre_m
    if table.cabinet_m is None:
        if any(offset) and "cabinet_m" not in one.keys:
            yield Found(
                (*one.path, "acoustic_centre_m"),
                "it counts from the middle of the cabinet, whose size is not given; give cabinet_m.",
            )
        return
    for name, shift, side in zip(("forward", "right", "up"), offset, table.cabinet_m, strict=True):
        if abs(shift) > side / 2.0 + CENTRE_BEYOND_M:
            yield Found(
                (*one.path, "acoustic_centre_m"),
                f"it lies {metres(abs(shift))} {name if shift > 0 else 'the other way than ' + name} of the middle; "
                f"the cabinet ends at {metres(side / 2.0)}. Allowed: up to {metres(CENTRE_BEYOND_M)} beyond.",
            )
    driver = table.driver
    if driver is None:
        return
    if driver.box_m3 >= prod(table.cabinet_m):
        yield Found(
            (*one.path, "driver", "box_m3"),
            f"the air inside, {number(driver.box_m3)} m3, is no less than the cabinet outside, "
            f"{number(prod(table.cabinet_m))} m3. Mind the unit: 50 litres are 0.05 m3.",
        )
    yield from _on_face(one, "driver", "cone_area_m2", driver.cone_area_m2, table.driver_face)


def _on_face(one: KindPart, part: str, key: str, area_m2: float, face: str) -> Iterator[Found]:
    assert one.table.cabinet_m is not None, "only asked where the cabinet's size is known"
    width, height = (one.table.cabinet_m[axis] for axis in _AXES_OF_FACE[face])
    if area_m2 >= width * height:
        yield Found(
            (*one.path, part, key),
            f"got {number(area_m2)} m2; the cabinet's {face} face has {number(width * height)} m2. "
            "Mind the unit: 100 cm2 are 0.01 m2.",
        )


def _port(port: PortTable, one: KindPart, air: Air) -> Iterator[Found]:
    driver: DriverTable | None = one.table.driver
    if (port.length_m is None) == (port.tuning_hz is None):
        both = "both length_m and tuning_hz are given" if port.length_m is not None else "neither is given"
        yield Found((*one.path, "port"), f"{both}; give length_m or tuning_hz: each follows from the other.")
        return
    if driver is None:
        yield Found((*one.path, "port"), "a port needs a box; add [subwoofer.driver] with its box_m3.")
        return
    key = "length_m" if port.length_m is not None else "tuning_hz"
    length = port_of(port, driver.box_m3, air).length_m
    if length < 0.0:
        acting = END_CORRECTION * sqrt(port.area_m2 / pi)
        highest = air.speed_of_sound_m_s / (2.0 * pi) * sqrt(port.area_m2 / (driver.box_m3 * acting))
        yield Found(
            (*one.path, "port", key),
            f"got {number(port.tuning_hz or 0.0)} Hz; an opening of {number(port.area_m2)} m2 without any length tunes "
            f"this box to {highest:.1f} Hz already, and a pipe only lower. Tune lower or take a larger port.",
        )
    elif port.area_m2 * length >= driver.box_m3:
        yield Found(
            (*one.path, "port", "area_m2"),
            f"the port of {number(port.area_m2)} m2 and {metres(length)} holds {number(port.area_m2 * length)} m3, the "
            f"box {number(driver.box_m3)} m3: it is larger than its box. Take a smaller or shorter port, or a larger "
            "box; mind the units.",
        )
    if one.table.cabinet_m is not None:
        yield from _on_face(one, "port", "area_m2", port.area_m2, one.table.port_face or one.table.driver_face)


def _bursts(bursts: BurstTable, one: KindPart, parts: Parts) -> Iterator[Found]:
    path = (*one.path, "bursts", "level_db")
    if one.table.max_level_1m_db is not None:
        yield Found((*one.path, "max_level_1m_db"), "bursts are given too, which say the same; give one of the two.")
    odd = [hz for hz in bursts.level_db.hz if band_named(hz) is None]
    for hz in odd:
        if len(bursts.level_db.hz) == 1:
            yield Found(path, 'one level does not say which bands it holds for; give a table, such as { "20" = 99 }.')
        elif FIRST_BAND <= (band := nearest_band(hz)) < FIRST_BAND + len(NOMINAL_HZ):
            yield Found(path, f"{number(hz)} Hz is no third-octave band; the nearest is {number(nominal_hz(band))} Hz.")
        else:
            yield Found(
                path, f"{number(hz)} Hz is no third-octave band; allowed: 10, 12.5, 16, 20 and so on to 315 Hz."
            )
    if odd:
        return
    if missing := _missing(bursts.level_db):
        names = ", ".join(f"{number(hz)} Hz" for hz in missing)
        first, last = bursts.level_db.hz[0], bursts.level_db.hz[-1]
        yield Found(
            path,
            f"the table from {number(first)} to {number(last)} Hz has a gap: {names} "
            f"{'is' if len(missing) == 1 else 'are'} not given. Give every third-octave; a band in which the sub "
            "failed the test has the level at which it still passed.",
        )
    lowest = band_named(bursts.level_db.hz[0])
    if parts.search is not None and lowest is not None and parts.search.band_hz[0] < edges_hz(lowest)[0]:
        low, first = parts.search.band_hz[0], bursts.level_db.hz[0]
        yield Found(
            path,
            f"the table starts at {number(first)} Hz; search.band_hz starts at {number(low)} Hz, where nothing is "
            f"known of the sub. Give the bands below too, or start the search at {number(first)} Hz.",
        )


def _missing(curve: Curve) -> list[float]:
    """Nominal bands between the first and the last that are not there [Hz]."""
    low, high = curve.hz[0] * HALF_BAND, curve.hz[-1] / HALF_BAND
    return [float(hz) for hz in NOMINAL_HZ if low < hz < high and hz not in curve.hz]


def amplifier_faults(parts: Parts) -> list[Found]:
    """All faults of the amplifier of each sub and of [[amplifiers]]."""
    found: list[Found] = []
    for own in parts.chain.subs:
        if own.table.amplifier is not None:
            found += _rating(own.table.amplifier, (*own.path, "amplifier"))
        if "amplifiers" in parts.given and "amplifier" in own.keys:
            found.append(
                Found(
                    (*own.path, "amplifier"),
                    "[[amplifiers]] are given too, which say the same of every channel; give one of the two.",
                )
            )
    first: dict[int, str] = {}
    for index, one in parts.chain.amplifiers.items():
        found += _rating(one, ("amplifiers", index))
        listed = one.subs or ()
        if len(listed) > one.channels:
            found.append(
                Found(
                    ("amplifiers", index, "subs"),
                    f"it lists subs for {len(listed)} channels; channels is {one.channels}. Give one list for each "
                    "channel, [] for one that stays free.",
                )
            )
        for output, subs in enumerate(listed, start=1):
            for sub in subs:
                here = f"channel {output} of {one.name}"
                if sub in first:
                    found.append(
                        Found(
                            ("amplifiers", index, "subs"),
                            f"sub {sub} hangs on {first[sub]} already; a sub hangs on one channel.",
                        )
                    )
                first.setdefault(sub, here)
    if not found and parts.chain.amplifiers and "amplifiers" in parts.whole:
        found += _enough(parts)
    return found


def _rating(table: ChannelTable, path: Path) -> Iterator[Found]:
    if (table.power_w is None) != (table.load_ohm is None):
        given, missing = ("load_ohm", "power_w") if table.power_w is None else ("power_w", "load_ohm")
        yield Found((*path, given), f"it needs {missing} beside it: a power is rated into a load.")


def _enough(parts: Parts) -> Iterator[Found]:
    """Whether the plans that are searched for can hang on the channels at all."""
    if parts.search is None:
        return
    named = {number for one in parts.chain.amplifiers.values() for subs in one.subs or () for number in subs}
    free = sum(one.channels - len(one.subs or ()) for one in parts.chain.amplifiers.values())
    most = max(parts.search.counts)
    left = sum(number not in named for number in range(1, most + 1))
    needed = (left + 1) // 2 if parts.search.shared_drives else left
    if needed > free:
        yield Found(
            ("search", "counts"),
            f"{most} subs need {needed} amplifier channels beside those that name theirs; [[amplifiers]] have {free} "
            "left. Give more channels, let two subs share one (shared_drives = true), name in `subs` what shares a "
            "channel, or search for fewer subs.",
        )


def kind_faults(parts: Parts) -> list[Found]:
    """All faults of [[subwoofers]], and of zones, layout and budget against them."""
    found = [*_given_twice(parts), *_kind_names(parts), *_budget(parts)]
    if "subwoofers" in parts.given and "subwoofers" not in parts.whole:
        return found  # the names of those that are not valid are not known
    known = [kind.table.name for kind in parts.chain.kinds.values()]
    for index, zone in parts.places.zones.items():
        path: Path = ("zones", index, "kinds")
        if zone.kinds is not None:
            found += _named(path, zone.kinds, known, once=True)
            if not zone.kinds:
                found.append(Found(path, "the list is empty; name a kind of [[subwoofers]], or leave the key out."))
        may = len(set(zone.kinds or known) & set(known))
        if zone.fixed and may > 1:
            found.append(
                Found(
                    ("zones", index, "fixed"),
                    f"{may} kinds of subwoofer may stand in zone {shown(zone.name)}, and a fixed one is of one kind; "
                    "name it in kinds.",
                )
            )
    if parts.layout is not None:
        if parts.layout.kinds is not None:
            found += _named(("layout", "kinds"), parts.layout.kinds, known)
        elif len(known) > 1:
            message = (
                f"there are several kinds of subwoofer; say for each position which of {_list(known)} stands there."
            )
            found.append(Found(("layout", "kinds"), message))
    return found


def _given_twice(parts: Parts) -> Iterator[Found]:
    if "subwoofers" not in parts.given:
        return
    if "subwoofer" in parts.given:
        yield Found(("subwoofer",), "[[subwoofers]] are given too; give one subwoofer, or a list of kinds.")


def _kind_names(parts: Parts) -> Iterator[Found]:
    first: dict[str, int] = {}
    for index, kind in parts.chain.kinds.items():
        name = kind.table.name
        if name in first:
            which = f"has the name {shown(name)}" if "name" in kind.keys else "has no name"
            yield Found(
                ("subwoofers", index, "name"),
                f"it {which}, as subwoofers[{first[name]}]; give each kind a name of its own.",
            )
        first.setdefault(name, index)


def _named(path: Path, given: Sequence[str], known: Sequence[str], *, once: bool = False) -> Iterator[Found]:
    """Names that no kind has, and names given twice."""
    if given and not known:
        yield Found(path, "there are no [[subwoofers]] to choose from; give them names there, or leave the key out.")
        return
    for name in dict.fromkeys(given):
        if name not in known:
            near = get_close_matches(name, known, n=1, cutoff=0.6)
            hint = f" Did you mean {shown(near[0])}?" if near else ""
            yield Found(path, f"{shown(name)} is none of the [[subwoofers]].{hint} Allowed: {_list(known)}.")
        elif once and list(given).count(name) > 1:
            yield Found(path, f"{shown(name)} is given twice; give each kind once.")


def _budget(parts: Parts) -> Iterator[Found]:
    if parts.search is None or parts.search.budget is None:
        return
    missing = [kind for kind in parts.chain.subs if kind.table.price is None and "price" not in kind.keys]
    for kind in missing:
        yield Found((*kind.path, "price"), "it has none, and search.budget needs the price of every kind; give it.")
    prices = [kind.table.price for kind in parts.chain.subs if kind.table.price is not None]
    if missing or not prices:
        return
    least = min(parts.search.counts)
    if least * min(prices) > parts.search.budget:
        subs = "1 sub costs" if least == 1 else f"{least} subs cost"
        yield Found(
            ("search", "budget"),
            f"got {number(parts.search.budget)}; {subs} at least {number(least * min(prices))}. Raise it, or search "
            "for fewer subs.",
        )


def _list(names: Sequence[str]) -> str:
    return ", ".join(map(shown, names))
