"""Faults of a strategy, each of its keys right by itself."""

from collections.abc import Iterator

from roommodes.project.valid_parts import Found
from roommodes.studies.strategies import BUILT_IN, MOST_TRIMS, StrategyTable
from roommodes.toml.lines import Path
from roommodes.toml.values import shown

PRESETS = ("gain_db", "delay_ms", "delay_room_lengths", "polarity")


def strategy_faults(index: int, strategy: StrategyTable) -> Iterator[Found]:
    """All faults of the strategy at an index of the file."""
    place = ("strategies", index)
    wrong = [*_number_of_subs(place, strategy), *_positions(place, strategy)]
    yield from wrong
    if not wrong:
        yield from _heights(place, strategy)
        yield from _presets(place, strategy)
        yield from _trims(place, strategy)


def _number_of_subs(place: Path, strategy: StrategyTable) -> Iterator[Found]:
    built_in, subs, positions = BUILT_IN[strategy.positions], strategy.subs, strategy.positions
    if built_in.subs and subs not in built_in.subs:
        if len(built_in.subs) > 1:
            yield Found((*place, "subs"), f"got {subs}; pairs need an even number.")
        else:
            yield Found((*place, "subs"), f"got {subs}; {positions} are {built_in.subs[0]}.")
    elif not built_in.subs and (most := len(built_in.points(subs))) and subs > most:
        yield Found((*place, "subs"), f"got {subs}; {positions} are only {most}.")


def _positions(place: Path, strategy: StrategyTable) -> Iterator[Found]:
    given = strategy.at_fraction
    if strategy.positions == "given":
        if given is None:
            yield Found((*place, "at_fraction"), "this key is missing: the positions, [[along, across, up], ...].")
        elif len(given) < strategy.subs:
            yield Found((*place, "at_fraction"), f"it has {len(given)} for {strategy.subs} subs; give one for each.")
        elif len(set(given)) < len(given):
            yield Found((*place, "at_fraction"), "one position is given twice; give each once.")
    elif given is not None:
        text = f"the positions are {strategy.positions}; delete the key, or set positions to given."
        yield Found((*place, "at_fraction"), text)


def _heights(place: Path, strategy: StrategyTable) -> Iterator[Found]:
    heights = strategy.height_fraction
    if heights is None:
        return
    count = _positions_of(strategy)
    if strategy.positions == "given":
        yield Found((*place, "height_fraction"), "at_fraction gives the heights already; delete the key.")
    elif not heights:
        yield Found((*place, "height_fraction"), "got an empty list; give one number, or one for each position.")
    elif len(heights) > 1 and len(heights) != count:
        allowed = f"one number, or {count}, one for each position" if count else "one number for the whole line"
        yield Found((*place, "height_fraction"), f"it has {len(heights)}; allowed: {allowed}.")


def _presets(place: Path, strategy: StrategyTable) -> Iterator[Found]:
    count = _positions_of(strategy)
    for key in (*PRESETS, "trim"):
        values = getattr(strategy, key)
        if not values:
            if values is not None and key != "trim":
                yield Found((*place, key), "got an empty list; give one for each sub, or delete the key.")
        elif count != strategy.subs:
            where = f"one of {count} positions" if count else "any place along a wall"
            text = f"settings belong to a position, but each sub of {shown(strategy.name)} takes {where}; delete the "
            yield Found((*place, key), f"{text}key, or give {strategy.subs} positions.")
        elif key != "trim" and len(values) != strategy.subs:
            subs = "1 sub" if strategy.subs == 1 else f"{strategy.subs} subs"
            yield Found((*place, key), f"it has {len(values)} for {subs}; give one for each.")


def _trims(place: Path, strategy: StrategyTable) -> Iterator[Found]:
    trims = strategy.trim or ()
    if trims and strategy.adjust:
        text = "adjust searches the settings of each sub by itself; take trim or adjust, not both."
        yield Found((*place, "trim"), text)
    if len(trims) > MOST_TRIMS:
        yield Found((*place, "trim"), f"there are {len(trims)}; at most {MOST_TRIMS} can be searched together.")
    trimmed: set[int] = set()
    for number, trim in enumerate(trims):
        where = (*place, "trim", number)
        if beyond := [k for k in trim.subs if k > strategy.subs]:
            text = f"there is no sub {beyond[0]}; the strategy has {strategy.subs}, numbered from 1."
            yield Found((*where, "subs"), text)
        elif not trim.subs:
            yield Found((*where, "subs"), "got an empty list; name the subs by number, from 1.")
        elif len(set(trim.subs)) == strategy.subs:
            text = "these are all subs; what is common to all changes no difference between seats. Leave one out."
            yield Found((*where, "subs"), text)
        elif len(set(trim.subs)) < len(trim.subs) or trimmed & set(trim.subs):
            yield Found((*where, "subs"), "a sub is named twice; give each one trim at most.")
        trimmed |= set(trim.subs)
        if trim.gain_db is None and trim.delay_ms is None:
            yield Found(where, "neither gain_db nor delay_ms is given; say what is trimmed.")


def _positions_of(strategy: StrategyTable) -> int:
    """How many positions it names; 0 for lines."""
    return len(strategy.at_fraction or BUILT_IN[strategy.positions].points(strategy.subs))
