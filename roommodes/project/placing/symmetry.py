"""Whether a project has layouts that are their own mirror image about the middle between left and right wall."""

from collections.abc import Iterator, Sequence

import numpy as np

from roommodes.lengths import lengths_of
from roommodes.project.project import Project
from roommodes.ranges import plain
from roommodes.shapes.solids import Block, Slope
from roommodes.toml.values import shown

SAME_M = 1e-6


def without_mirror(project: Project, counts: Sequence[int]) -> str:
    """Why no layout of any of these numbers of subs is its own mirror image, in a sentence; empty where one is.

    Parameters
    ----------
    project : whose [search] asks for mirrored layouts; else nothing stands against them.
    counts : numbers of subs.
    """
    if not project.search.mirror or not len(project.candidates):
        return ""
    pairs, middle = _pairs_and_middle(project)
    if any(_can_be(count, pairs, middle) for count in counts):
        return ""
    at = lengths_of(project).text(project.room.width_m / 2.0, ".3f")
    if not pairs and not middle:
        found = f"none of the {len(project.candidates)} candidates has its mirror image about y = {at}, or lies on it"
    elif not middle:
        found = f"no candidate lies on y = {at}, which an odd number of subs needs"
    else:
        found = f"the candidates make {pairs} mirrored pairs and {middle} on y = {at}, too few for {plain(counts)} subs"
    uneven = uneven_shape(project)
    why = f" The room is not its own mirror image: {uneven[0]}." if uneven else ""
    return f"{found}.{why} Give zones alike left and right, ask for other numbers, or leave mirror out."


def mirror_warnings(project: Project) -> Iterator[str]:
    """Where mirrored layouts are asked for: numbers that have none, and a room that is not its own mirror image."""
    if not project.search.mirror or not len(project.candidates):
        return
    if why := without_mirror(project, project.search.counts):
        yield f"search.mirror: {why}"
        return
    pairs, middle = _pairs_and_middle(project)
    lengths = lengths_of(project)
    at = lengths.text(project.room.width_m / 2.0, ".3f")
    if missing := [count for count in project.search.counts if not _can_be(count, pairs, middle)]:
        yield (
            f"search.mirror: no mirrored layout of {plain(missing)} subs: there are {pairs} mirrored pairs of places "
            f"and {middle} on the middle, y = {at}. A zone of one point there gives odd numbers."
        )
    for text in uneven_shape(project):
        yield (
            f"search.mirror: the room is not its own mirror image: {text}. Subs are mirrored about the middle of the "
            f"room's box, y = {at}."
        )


def uneven_shape(project: Project) -> list[str]:
    """Blocks and slopes that have no mirror image in the room."""
    width, room = project.room.width_m, project.room
    blocks = [_mirrored_block(block, width) for block in room.blocks]
    slopes = [_mirrored_slope(slope, width) for slope in room.slopes]
    uneven = [
        f"block {shown(one.name)}"
        for one, image in zip(room.blocks, blocks, strict=True)
        if not any(_same(image, _corners(other)) for other in room.blocks)
    ] + [
        f"slope {shown(one.name)}"
        for one, image in zip(room.slopes, slopes, strict=True)
        if not any(_same(image, _ends(other)) for other in room.slopes)
    ]
    return [f"{one} has no mirror image" for one in uneven]


def _pairs_and_middle(project: Project) -> tuple[int, int]:
    """How many pairs of places are mirror images, and how many lie on the middle."""
    mirror_of = project.candidates.mirror_of
    own = np.arange(len(mirror_of))
    return int(np.sum(mirror_of > own)), int(np.sum(mirror_of == own))


def _can_be(count: int, pairs: int, middle: int) -> bool:
    return any(count - 2 * one <= middle for one in range(min(pairs, count // 2) + 1))


def _corners(block: Block) -> list[float]:
    return [*block.low_m, *block.high_m]


def _mirrored_block(block: Block, width: float) -> list[float]:
    (x0, y0, z0), (x1, y1, z1) = block.low_m, block.high_m
    return [x0, width - y1, z0, x1, width - y0, z1]


def _ends(slope: Slope) -> list[float]:
    return [float(slope.axis), *(value for end in sorted((slope.from_m, slope.to_m)) for value in end)]


def _mirrored_slope(slope: Slope, width: float) -> list[float]:
    if slope.axis == 0:
        return _ends(slope)
    ends = sorted((width - at, height) for at, height in (slope.from_m, slope.to_m))
    return [1.0, *(value for end in ends for value in end)]


def _same(a: Sequence[float], b: Sequence[float]) -> bool:
    return bool(np.allclose(a, b, atol=2 * SAME_M, rtol=0.0))
