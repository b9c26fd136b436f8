"""A strategy of a study in words."""

from cli.terminal.output import counted
from roommodes.studies.strategies import Strategy, StrategyTable, Trim, strategy_of
from roommodes.studies.tables import StudySearchTable


def strategy_words(table: StrategyTable, search: StudySearchTable) -> str:
    """Subs, positions, settings, what is trimmed and what is searched, in one line without the name."""
    gain_low, gain_high = search.gain_db
    strategy = strategy_of(table, trim_gain_db=(gain_low - gain_high, 0.0))
    parts = [f"{counted(table.subs, 'sub')}, {table.positions}{_heights(strategy)}", *_settings(strategy)]
    parts += [_trim(trim) for trim in strategy.trims]
    parts.append(f"searched for each sub: {', '.join(table.adjust) or 'nothing'}")
    return "; ".join(parts)


def _heights(strategy: Strategy) -> str:
    heights = list(dict.fromkeys(point[2] for point in strategy.points)) or [strategy.height]
    if heights == [0.0]:
        return " on the floor"
    return f" at {_listed(heights)} of the height"


def _settings(strategy: Strategy) -> list[str]:
    """Each kind of setting, where the subs differ in it."""
    kinds = (
        ("gains", strategy.gain_db, "dB"),
        ("delays", strategy.delay_ms, "ms"),
        ("delays", strategy.delay_room_lengths, "room lengths"),
        ("polarities", strategy.polarity, ""),
    )
    return [f"{name} {_listed(values)} {unit}".rstrip() for name, values, unit in kinds if len(set(values)) > 1]


def _trim(trim: Trim) -> str:
    ranges = [
        f"{name} by {ends[0]:g} to {ends[1]:g} {unit}"
        for name, ends, unit in (("gain", trim.gain_db, "dB"), ("delay", trim.delay_ms, "ms"))
        if ends is not None
    ]
    which = ", ".join(str(k + 1) for k in trim.subs)
    return f"of {'subs' if len(trim.subs) > 1 else 'sub'} {which} trimmed in every room: {' and '.join(ranges)}"


def _listed(values: tuple[float, ...] | list[float]) -> str:
    return ", ".join(f"{value:g}" for value in values)
