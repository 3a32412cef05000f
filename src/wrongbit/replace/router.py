"""Orthogonal wires on a grid: they may cross, never run along each other, never through a package.

Each connection is the cheapest path on the grid after C. Y. Lee, "An Algorithm for Path Connections and Its
Applications", IRE Transactions on Electronic Computers EC-10, 1961 (from memory, not checked), searched
best-first; bends and crossings cost more than length.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from heapq import heappop, heappush
from itertools import pairwise

Cell = tuple[int, int]
"""Column and row."""

_STEPS: tuple[Cell, ...] = ((1, 0), (-1, 0), (0, 1), (0, -1))
_STEP, _BEND, _CROSSING, _NEAR = 2, 5, 6, 1


@dataclass
class Grid:
    """What is taken on the grid so far.

    Args:
        columns: Width in cells.
        rows: Height in cells.
        blocked: Cells under packages and labels.
        reserved: Cells that only the named net may use: pins and their stubs.
    """

    columns: int
    rows: int
    blocked: set[Cell] = field(default_factory=set)
    reserved: dict[Cell, str] = field(default_factory=dict)
    across: dict[Cell, str] = field(default_factory=dict)
    along: dict[Cell, str] = field(default_factory=dict)
    corners: dict[Cell, str] = field(default_factory=dict)

    def may_enter(self, cell: Cell, horizontal: bool, net: str) -> bool:
        """Whether a net may pass a cell in this direction."""
        column, row = cell
        if not (0 <= column < self.columns and 0 <= row < self.rows) or cell in self.blocked:
            return False
        if self.reserved.get(cell, net) != net or self.corners.get(cell, net) != net:
            return False
        return (self.across if horizontal else self.along).get(cell, net) == net

    def shared(self, cell: Cell, net: str) -> bool:
        """Whether another net passes here."""
        return self.across.get(cell, net) != net or self.along.get(cell, net) != net

    def crowding(self, cell: Cell, horizontal: bool, net: str) -> int:
        """Cost of another wire running right beside."""
        column, row = cell
        beside = (
            ((column, row - 1), (column, row + 1)) if horizontal else ((column - 1, row), (column + 1, row))
        )
        taken = self.across if horizontal else self.along
        return sum(_NEAR for each in beside if taken.get(each, net) != net)

    def take(self, path: Sequence[Cell], net: str) -> None:
        """Mark a path as this net's."""
        for (c0, r0), (c1, r1) in pairwise(path):
            taken = self.across if r0 == r1 else self.along
            taken[c0, r0] = taken[c1, r1] = net
        for before, cell, after in zip(path, path[1:], path[2:], strict=False):
            if (before[0] == cell[0]) != (cell[0] == after[0]):
                self.corners[cell] = net
        for end in (path[0], path[-1]):
            self.corners[end] = net


@dataclass(frozen=True)
class Route:
    """A net's wires.

    Args:
        net: Its name.
        paths: Each from a pin to another pin or to a point of an earlier path; corner points only.
        joints: Cells where a path meets another in between: drawn as dots.
    """

    net: str
    paths: tuple[tuple[Cell, ...], ...]
    joints: tuple[Cell, ...]


def route_all(grid: Grid, nets: Mapping[str, Sequence[Cell]]) -> tuple[Route, ...] | None:
    """Wires for all nets: those that a straight line serves, then short ones first.

    Args:
        grid: What is blocked; it is filled as wires are laid.
        nets: Cells of each net's pins, two or more.

    Returns:
        One route for each net, None when some wire finds no way.
    """
    routes = []
    for name in sorted(
        nets, key=lambda name: (not _is_clear(grid, name, nets[name]), _span(nets[name]), name)
    ):
        route = _route(grid, name, nets[name])
        if route is None:
            return None
        routes.append(route)
    return tuple(routes)


def _is_clear(grid: Grid, net: str, cells: Sequence[Cell]) -> bool:
    """Whether a straight line joins two pins before anything else is laid."""
    (c0, r0), (c1, r1) = cells[0], cells[-1]
    low, high = sorted((c0, c1))
    return (
        len(cells) == 2 and r0 == r1 and all(grid.may_enter((c, r0), True, net) for c in range(low, high + 1))
    )


def _span(cells: Sequence[Cell]) -> int:
    columns, rows = [c for c, _ in cells], [r for _, r in cells]
    return max(columns) - min(columns) + 3 * (max(rows) - min(rows))


def _route(grid: Grid, net: str, pins: Sequence[Cell]) -> Route | None:
    tree: set[Cell] = {pins[0]}
    paths, joints = [], []
    for pin in sorted(pins[1:], key=lambda cell: abs(cell[0] - pins[0][0]) + abs(cell[1] - pins[0][1])):
        goals = {cell for cell in tree if not grid.shared(cell, net)}
        path = _search(grid, net, pin, goals)
        if path is None:
            return None
        grid.take(path, net)
        if path[-1] not in pins:
            joints.append(path[-1])
        tree.update(path)
        paths.append(tuple(_corner_points(path)))
    return Route(net, tuple(paths), tuple(joints))


def _search(grid: Grid, net: str, start: Cell, goals: set[Cell]) -> list[Cell] | None:
    """Cheapest path from a pin to any goal."""
    low_c, high_c = min(c for c, _ in goals), max(c for c, _ in goals)
    low_r, high_r = min(r for _, r in goals), max(r for _, r in goals)

    def ahead(cell: Cell) -> int:
        column, row = cell
        return _STEP * (max(low_c - column, 0, column - high_c) + max(low_r - row, 0, row - high_r))

    if start in goals:
        return [start]
    best: dict[tuple[Cell, int], int] = {(start, -1): 0}
    before: dict[tuple[Cell, int], tuple[Cell, int]] = {}
    queue: list[tuple[int, int, Cell, int]] = [(ahead(start), 0, start, -1)]
    while queue:
        _, cost, cell, heading = heappop(queue)
        if cost > best[cell, heading]:
            continue
        if cell in goals:
            return _walk_back(before, (cell, heading))
        crossing = grid.shared(cell, net)
        for direction, (dc, dr) in enumerate(_STEPS):
            turned = heading not in (-1, direction)
            if turned and (crossing or direction == heading ^ 1):
                continue
            target = (cell[0] + dc, cell[1] + dr)
            if not grid.may_enter(target, dr == 0, net):
                continue
            further = cost + _STEP + _BEND * turned + grid.crowding(target, dr == 0, net)
            further += _CROSSING * grid.shared(target, net)
            if further < best.get((target, direction), 1 << 60):
                best[target, direction] = further
                before[target, direction] = (cell, heading)
                heappush(queue, (further + ahead(target), further, target, direction))
    return None


def _walk_back(before: Mapping[tuple[Cell, int], tuple[Cell, int]], state: tuple[Cell, int]) -> list[Cell]:
    path = [state[0]]
    while state in before:
        state = before[state]
        path.append(state[0])
    return path[::-1]


def _corner_points(path: Sequence[Cell]) -> Iterable[Cell]:
    yield path[0]
    for before, cell, after in zip(path, path[1:], path[2:], strict=False):
        if (before[0] == cell[0]) != (cell[0] == after[0]):
            yield cell
    if len(path) > 1:
        yield path[-1]
