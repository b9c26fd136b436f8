"""Cables, circuits, heat and quantities as tables, for the terminal, reports, drawings and files."""

from dataclasses import dataclass
from typing import Any

from cli.terminal.output import clean
from cli.words.plan import cautions_of
from roommodes.lengths import METRIC, Lengths
from roommodes.plan.plan import Plan
from roommodes.subwoofer.supply import ElectricalTable
from solvers.electrical.of_plan import CIRCUIT_SHARE, Cable, Electrical

Cell = str | float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """A table: its name, headers with units, and rows of values; None where not known."""

    name: str
    headers: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]

    @property
    def numbers(self) -> tuple[int, ...]:
        """Columns of numbers: those with a unit, quantities and prices."""
        plain = {"quantity", "price", "price of one"}
        return tuple(k for k, one in enumerate(self.headers) if "[" in one or one in plain)

    def texts(self) -> list[list[str]]:
        """Its rows as people read them; a dash for what is not known."""
        return [[cell_text(cell) for cell in row] for row in self.rows]


def listings(found: Electrical) -> tuple[Listing, ...]:
    """All four."""
    loud = tuple(_cable_row(one) for one in found.cables if not one.supply)
    supply = tuple(_cable_row(one) for one in found.cables if one.supply)
    ends = ("from", "to", "length [m]", "over a door")
    return (
        Listing(
            name="loudspeaker cables",
            headers=("cable", *ends, "load [ohm]", "current [A]", "section [mm2]", "loss [dB]"),
            rows=loud,
        ),
        Listing(
            name="supply cables",
            headers=("cable", *ends, "current [A]", "section [mm2]", "drop [%]"),
            rows=tuple((*row[:5], *row[6:]) for row in supply),
        ),
        Listing(
            name="circuits",
            headers=("circuit", "amplifiers", "current [A]"),
            rows=tuple((one.number, ", ".join(map(clean, one.amplifiers)), one.current_a) for one in found.circuits),
        ),
        Listing(
            name="heat",
            headers=("where", "heat on average [W]", "rise in a closed cupboard [K]", "air to keep it cool [m3/h]"),
            rows=tuple((clean(one.place), one.heat_w, one.rise_k, one.flow_m3_h) for one in found.heat),
        ),
        Listing(
            name="quantities",
            headers=("item", "quantity", "unit", "price of one", "price"),
            rows=tuple(
                (
                    clean(one.item),
                    one.quantity,
                    one.unit,
                    one.price,
                    None if one.price is None else one.price * one.quantity,
                )
                for one in found.items
            ),
        ),
    )


def _cable_row(cable: Cable) -> tuple[Cell, ...]:
    over = "yes" if cable.over_door else "no"
    return (
        cable.name,
        clean(cable.start),
        clean(cable.end),
        cable.length_m,
        over if cable.length_m is not None else None,
        cable.load_ohm,
        cable.current_a,
        cable.section_mm2,
        cable.loss,
    )


def cell_text(cell: Cell) -> str:
    """A value as people read it."""
    if cell is None:
        return "-"
    return clean(cell) if isinstance(cell, str) else f"{cell:.3g}" if abs(cell) < 100 else f"{cell:.0f}"


def cable_lines(found: Electrical, lengths: Lengths = METRIC) -> list[str]:
    """One line for each cable, for a drawing."""
    lines = []
    for cable in found.cables:
        length = "length not known" if cable.length_m is None else lengths.text(cable.length_m, ".1f")
        section = "section not known" if cable.section_mm2 is None else f"{cable.section_mm2:g} mm2"
        over = ", over a door" if cable.over_door else ""
        lines.append(f"{cable.name}  {clean(cable.start, 40)} to {clean(cable.end, 40)}: {length}{over}, {section}")
    return lines


def basis_lines(table: ElectricalTable) -> tuple[str, ...]:
    """How it was worked out, and who decides."""
    return (
        "A qualified electrician decides on cables, protection, earthing and circuits, by local codes. These are "
        "starting values.",
        f"Lengths run along the walls {table.route_height_m:g} m above the floor, the shorter way round and over "
        f"doors, with {table.slack_m:g} m to spare at each end, rounded up to 0.5 m. Tall blocks are gone "
        "round; low ones and furniture are not looked at.",
        "Loudspeaker cable: smallest standard section (IEC 60228, from memory) at which 20 lg(1 + R/Z) is at most "
        f"{table.loudspeaker_loss_db:g} dB (common practice, no source); R = 2 rho l / A, rho = 1/58 ohm mm2/m (IEC "
        "60028, from memory), l length, A section, Z the load.",
        f"Supply cable: smallest standard section from 1.5 mm2 that drops at most {table.supply_drop_percent:g} % of "
        f"{table.supply_v:g} V at the current of dense programme; heating, bunching and protection are not in it.",
        "Current of a circuit: a third of the highest power given, over efficiency, and idle power. Heat: an eighth "
        f"(both common practice, no source). A circuit of {table.circuit_a:g} A is filled to "
        f"{100 * CIRCUIT_SHARE:g} %.",
    )


def electrical_json(plan: Plan, found: Electrical) -> dict[str, Any]:
    """What `electrical --json` prints."""
    return {
        "project": plan.project.name,
        "subs": plan.subs,
        "rank": plan.rank,
        **{
            one.name.replace(" ", "_"): [dict(zip(one.headers, row, strict=True)) for row in one.rows]
            for one in listings(found)
        },
        "not_known": list(found.unknown),
        "cautions": cautions_of(plan),
        "basis": list(basis_lines(plan.project.tables.electrical)),
    }
