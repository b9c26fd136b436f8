"""Faults between the tables of a study, each of them right by itself."""

from collections.abc import Iterator, Sequence

from pydantic import ValidationError

from roommodes.acoustics.room import WALLS
from roommodes.project.constructions import LayerNames, layers_fault, layers_in, library
from roommodes.project.reading import nearest, reworded
from roommodes.project.valid_parts import Found
from roommodes.ranges import number
from roommodes.studies.properties import explaining
from roommodes.studies.room_table import NUMBER_COLUMNS, TableRow
from roommodes.studies.spread import constructions_of, spread_by, todays_keys
from roommodes.studies.strategy_checks import strategy_faults
from roommodes.studies.tables import MAX_STRATEGIES, RoomsTable, SeatingTable, StudyTables, Varied
from roommodes.toml.values import Table, shown

FEWEST_REPLICATES = 4


def is_beside(name: str) -> bool:
    """Whether a name is that of a file in the study's own folder: a study never reads elsewhere."""
    return bool(name.strip(". ")) and not set(name) & set("/\\:\0")


def study_faults(tables: StudyTables) -> Iterator[Found]:
    yield from room_faults(tables.rooms)
    yield from _same_names(tables)
    yield from _build_faults(tables)
    yield from _spread_faults(tables)
    for key in ("seatings", "strategies"):
        if not getattr(tables, key):
            yield Found((key,), f"there is none; add at least one [[{key}]].")
    for index, seating in enumerate(tables.seatings):
        if not any(row.y_fraction for row in seating.rows):
            yield Found(("seatings", index), "it has no seat; give each row y_fraction with one number per seat.")
        yield from _standing_faults(index, seating, tables)
    if len(tables.strategies) > MAX_STRATEGIES:
        yield Found(("strategies",), f"there are {len(tables.strategies)}; at most {MAX_STRATEGIES} can be compared.")
    for index, strategy in enumerate(tables.strategies):
        yield from strategy_faults(index, strategy)
    yield from _pair_faults(tables)
    design = tables.rooms.design
    if design == "every combination" and tables.spread:
        text = "every combination draws nothing, so nothing can spread; take the design sobol or latin hypercube."
        yield Found(("spread",), text)


def room_faults(rooms: RoomsTable) -> Iterator[Found]:
    drawn = rooms.design in ("sobol", "latin hypercube")
    if drawn and rooms.count is None:
        yield Found(("rooms", "count"), f"this key is missing: how many rooms {rooms.design} draws.")
    if not drawn and rooms.count is not None:
        yield Found(("rooms", "count"), f"the design {rooms.design} has its own number of rooms; delete the key.")
    if rooms.replicates > 1:
        yield from _replicate_faults(rooms, drawn=drawn)
    if rooms.design == "table":
        if rooms.table is None:
            yield Found(("rooms", "table"), "this key is missing: the CSV file beside the study that lists the rooms.")
        elif not is_beside(rooms.table):
            text = f"got {shown(rooms.table)}; allowed: the name of a file in the study's own folder, without a path."
            yield Found(("rooms", "table"), text)
        for key in ("length_m", "width_m", "height_m"):
            if getattr(rooms, key) is not None:
                yield Found(("rooms", key), "the table lists it for every room; delete the key.")
        return
    if rooms.table is not None:
        yield Found(("rooms", "table"), f"the design {rooms.design} reads no table; delete the key, or take table.")
    for key in NUMBER_COLUMNS:
        quantity: Varied | None = getattr(rooms, key)
        if quantity is None:
            about = RoomsTable.model_fields[key].description
            yield Found(("rooms", key), f"this key is missing: {about}")
        elif rooms.design == "every combination" and not quantity.values:
            text = "every combination needs a list, such as [4.0, 5.0, 6.0], or the design sobol."
            yield Found(("rooms", key), text)


def _replicate_faults(rooms: RoomsTable, *, drawn: bool) -> Iterator[Found]:
    if not drawn:
        yield Found(("rooms", "replicates"), f"the design {rooms.design} draws no rooms; delete the key.")
    elif rooms.replicates < FEWEST_REPLICATES:
        text = f"got {rooms.replicates}; allowed: 1, or {FEWEST_REPLICATES} and more: fewer tell next to nothing."
        yield Found(("rooms", "replicates"), text)
    elif rooms.count is not None and rooms.count % rooms.replicates:
        text = f"got {rooms.count} rooms in {rooms.replicates} designs; take a multiple, such as "
        whole = rooms.replicates * (rooms.count // rooms.replicates + 1)
        yield Found(("rooms", "count"), f"{text}{whole}.")


def _same_names(tables: StudyTables) -> Iterator[Found]:
    for key in ("builds", "seatings", "strategies"):
        first: dict[str, int] = {}
        for index, entry in enumerate(getattr(tables, key)):
            if entry.name in first:
                text = f"{key}[{first[entry.name]}] has the name {shown(entry.name)} too; give each its own."
                yield Found((key, index, "name"), text)
            first.setdefault(entry.name, index)


def _standing_faults(index: int, seating: SeatingTable, tables: StudyTables) -> Iterator[Found]:
    """Rows on a block that no build has."""
    blocks = list(dict.fromkeys(block.name for build in tables.builds for block in build.blocks))
    for place, row in enumerate(seating.rows):
        if row.on is not None and row.on not in blocks:
            allowed = f"Allowed: {', '.join(map(shown, blocks))}." if blocks else "No build has [[builds.blocks]]."
            text = f"there is no block {shown(row.on)}.{nearest(row.on, blocks)} {allowed}"
            yield Found(("seatings", index, "rows", place, "on"), text)


def _pair_faults(tables: StudyTables) -> Iterator[Found]:
    """Pairs to be compared that are no two of the strategies, or are named twice."""
    known = [strategy.name for strategy in tables.strategies]
    met: set[frozenset[str]] = set()
    for index, pair in enumerate(tables.compare.pairs):
        for name in pair:
            if name not in known:
                text = f"there is no strategy {shown(name)}.{nearest(name, known)}"
                yield Found(("compare", "pairs", index), text)
        if frozenset(pair) in met:
            yield Found(("compare", "pairs", index), "this pair is named twice; name it once.")
        met.add(frozenset(pair))


def covariate_faults(tables: StudyTables, rows: Sequence[TableRow]) -> Iterator[Found]:
    """What is to explain the differences and is no property of these rooms; columns of one's own that have its name."""
    known = [*explaining(tables, rows)]
    for name in (*rows[0].own_numbers, *rows[0].own_words) if rows else ():
        if known.count(name) > 1:
            text = f"the column {shown(name)} has the name of a property that the rooms have anyway; rename it."
            yield Found(("rooms", "table"), text)
    for index, name in enumerate(tables.compare.covariates or ()):
        if name not in known:
            allowed = ", ".join(dict.fromkeys(known))
            text = f"the rooms have no {shown(name)}.{nearest(name, known)} Allowed: {allowed}."
            yield Found(("compare", "covariates", index), text)


def _build_faults(tables: StudyTables) -> Iterator[Found]:
    known = constructions_of(tables)
    for index, build in enumerate(tables.builds):
        used: list[tuple[tuple[str | int, ...], LayerNames]] = [((wall,), getattr(build, wall)) for wall in WALLS]
        used += [(("regions", k, "construction"), region.construction) for k, region in enumerate(build.regions)]
        for k, block in enumerate(build.blocks):
            owner = {"construction": ("construction",)}
            used += [(("blocks", k, *owner.get(key, ("faces", key))), name) for key, name in block.made_of().items()]
        used += [(("slopes", k, "construction"), slope.construction) for k, slope in enumerate(build.slopes)]
        for place, made in used:
            unknown = [name for name in layers_in(made) if name not in known]
            for name in unknown:
                text = f"there is no construction {shown(name)}.{nearest(name, [*known])} Allowed: one of your own "
                yield Found(
                    ("builds", index, *place), f"{text}under [constructions], or {', '.join(map(shown, library()))}."
                )
            if not unknown and (fault := layers_fault(known, made)):
                yield Found(("builds", index, *place), fault)


def _spread_faults(tables: StudyTables) -> Iterator[Found]:
    known = constructions_of(tables)
    for name, factors in tables.spread.items():
        if name not in known:
            text = f"there is no construction {shown(name)}.{nearest(name, list(known))}"
            yield Found(("spread", name), text)
            continue
        parameters = {key: v for key, v in known[name].parameters.items() if not isinstance(v, bool | str)}
        for key, factor in factors.items():
            if not set(todays_keys(known[name], key)) <= set(parameters):
                allowed = ", ".join(parameters) or "none of its parameters is a number"
                yield Found(("spread", name, key), f"unknown key.{nearest(key, list(parameters))} Allowed: {allowed}.")
                continue
            for end in (factor, 1.0 / factor):
                try:
                    spread_by(known[name], {key: end})
                except ValidationError as invalid:
                    said = reworded(invalid.errors(include_url=False)[0], Table).message
                    text = f"times {number(round(end, 6))} it leaves its range: {said} Take a smaller factor."
                    yield Found(("spread", name, key), text)
                    break
