"""What a report is made of, whatever it is written to: sections of texts, lists, tables and pictures."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from matplotlib.figure import Figure

from cli.drawing.primitives import Sheet
from cli.terminal.output import clean

PICTURE_IN = 5.0  # width of a picture: its letters can still be read where a phone shows it at three quarters


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A paragraph; `strong` for what must not be missed."""

    text: str
    strong: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Bullets:
    """A list."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows under headers.

    Parameters
    ----------
    caption : what it lists.
    headers, rows : texts; the first column names the row.
    right : columns of numbers.
    folded : shown closed on a screen, where it is only the numbers of a picture.
    screen_only : too long for paper.
    stacked : on a phone each row becomes a list of its cells; where rows are read one by one, not compared.
    """

    caption: str
    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[int, ...] = ()
    folded: bool = False
    screen_only: bool = False
    stacked: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A figure.

    Parameters
    ----------
    title : caption.
    alt : what it shows, for those who cannot see it: the finding.
    size_in : width and height [inch].
    draw : draws on an empty figure.
    raster : better stored as pixels.
    still : stands for something live, and may be left out where a small screen shows that.
    """

    title: str
    alt: str
    size_in: tuple[float, float]
    draw: Callable[[Figure], None]
    raster: bool = False
    still: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """A drawing to scale; on paper the whole sheet follows at the end.

    Parameters
    ----------
    title, alt : as in `Picture`.
    sheet : gives it no wider than so much [mm].
    """

    title: str
    alt: str
    sheet: Callable[[float], Sheet]


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveMap:
    """The pressure map under a slider; on paper the picture beside it stands for it.

    Parameters
    ----------
    data : for the script, plain data.
    """

    data: dict[str, Any]


Block = Text | Bullets | Table | Picture | Drawing | LiveMap


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A heading with what stands under it; `key` is the anchor, `new_page` begins one on paper."""

    key: str
    heading: str
    blocks: tuple[Block, ...]
    new_page: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Logo:
    """A small picture for the head; `data` is PNG, sizes in pixels."""

    data: bytes
    width: int
    height: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """The whole report.

    Parameters
    ----------
    title : the project's name, harmless in every format.
    subtitle : what it is.
    lead : the recommendation in one sentence.
    sections : in order.
    closing : where it comes from.
    mark : name and content of a `<meta>` by which the page is known again, if any.
    facts : label and text, such as the client's; above the lead.
    logo : at the top.
    contents : with links to the sections.
    """

    title: str
    subtitle: str
    lead: str
    sections: tuple[Section, ...]
    closing: str
    mark: tuple[str, str] | None = None
    facts: tuple[tuple[str, str], ...] = ()
    logo: Logo | None = None
    contents: bool = True


def shown(text: str, limit: int = 400) -> str:
    """A text of a user: on one line, control and direction marks spelled out, cut."""
    return clean(text, limit)
