"""Orthogonal wires on a grid: they may cross, never run along each other, never through a package.

Each connection is a cheap path on the grid after C. Y. Lee, "An Algorithm for Path Connections and Its
Applications", IRE Transactions on Electronic Computers EC-10, 1961 (from memory, not checked), searched
best-first; bends and crossings cost more than length.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from heapq import heappop, heappush
from itertools import pairwise

Cell = tuple[int, int]
"""Column and row."""

FREE, BLOCKED = -1, -2
_STEP, _BEND, _CROSSING, _NEAR = 2, 5, 6, 1
_AHEAD = 3
"""What a step that is still to go counts: more than a step costs, since most paths have bends and crossings
to come. The path found is no longer surely the cheapest, and is found several times sooner."""


class Grid:
    """What is taken on the grid so far.

    A cell is a number, row by row. Each of three lists says for each cell which net may pass there alone
    (`FREE`: any, `BLOCKED`: none): wires across, wires along, and corners, ends and pins.

    Args:
        columns: Width in cells.
        rows: Height in cells.
        blocked: Cells under packages and labels.
        reserved: Cells that only the named net may use: where the wires of a pin begin.
    """

    def __init__(
        self,
        columns: int,
        rows: int,
        blocked: Collection[Cell] = (),
        reserved: Mapping[Cell, str] | None = None,
    ) -> None:
        self.columns, self.rows = columns + 2, rows + 2  # a border that is blocked spares every bound check
        count = self.columns * self.rows
        self.across = [FREE] * count
        self.along = [FREE] * count
        self.corners = [FREE] * count
        self.names: dict[str, int] = {}
        border = [(c, r) for c in (-1, columns) for r in range(-1, rows + 1)]
        border += [(c, r) for r in (-1, rows) for c in range(columns)]
        for cell in (*border, *blocked):
            self.corners[self.number(cell)] = BLOCKED
        for cell, net in (reserved or {}).items():
            self.corners[self.number(cell)] = self.net(net)

    def net(self, name: str) -> int:
        """Number of a net."""
        return self.names.setdefault(name, len(self.names))

    def number(self, cell: Cell) -> int:
        """Number of a cell."""
        return (cell[1] + 1) * self.columns + cell[0] + 1

    def cell(self, number: int) -> Cell:
        """The cell with this number."""
        row, column = divmod(number, self.columns)
        return column - 1, row - 1

    def may_pass(self, at: int, horizontal: bool, net: int) -> bool:
        """Whether a net may pass a cell in this direction."""
        taken = self.across if horizontal else self.along
        return self.corners[at] in (FREE, net) and taken[at] in (FREE, net)

    def shared(self, at: int, net: int) -> bool:
        """Whether another net passes here."""
        return self.across[at] not in (FREE, net) or self.along[at] not in (FREE, net)

    def take(self, path: Sequence[int], net: int) -> None:
        """Mark a path as this net's."""
        for one, other in pairwise(path):
            taken = self.across if abs(one - other) == 1 else self.along
            taken[one] = taken[other] = net
        for corner in corner_points(path):
            self.corners[corner] = net


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
    clear = {name for name, cells in nets.items() if _is_clear(grid, grid.net(name), cells)}
    routes = []
    for name in sorted(nets, key=lambda name: (name not in clear, _span(nets[name]), name)):
        route = _route(grid, name, nets[name])
        if route is None:
            return None
        routes.append(route)
    return tuple(routes)


def _is_clear(grid: Grid, net: int, cells: Sequence[Cell]) -> bool:
    """Whether a straight line joins two pins before anything else is laid."""
    (c0, r0), (c1, r1) = cells[0], cells[-1]
    if len(cells) != 2 or r0 != r1:
        return False
    between = range(min(c0, c1), max(c0, c1) + 1)
    return all(grid.may_pass(grid.number((column, r0)), True, net) for column in between)


def _span(cells: Sequence[Cell]) -> int:
    columns, rows = [c for c, _ in cells], [r for _, r in cells]
    return max(columns) - min(columns) + 3 * (max(rows) - min(rows))


def _route(grid: Grid, name: str, pins: Sequence[Cell]) -> Route | None:
    net = grid.net(name)
    tree: set[int] = {grid.number(pins[0])}
    paths, joints = [], []
    for pin in sorted(pins[1:], key=lambda cell: abs(cell[0] - pins[0][0]) + abs(cell[1] - pins[0][1])):
        path = _search(grid, net, grid.number(pin), {at for at in tree if not grid.shared(at, net)})
        if path is None:
            return None
        grid.take(path, net)
        if grid.cell(path[-1]) not in pins:
            joints.append(grid.cell(path[-1]))
        tree.update(path)
        paths.append(tuple(grid.cell(at) for at in corner_points(path)))
    return Route(name, tuple(paths), tuple(joints))


def _search(grid: Grid, net: int, start: int, goals: set[int]) -> list[int] | None:
    """A cheap path from a pin to any goal. A state is a cell and a heading, in one number."""
    ahead = _distances(grid, goals)
    if start in goals:
        return [start]
    width = grid.columns
    steps = (1, -1, width, -width)
    corners = grid.corners
    mine = (FREE, net)
    best = {5 * start + 4: 0}  # heading 4: none yet
    before: dict[int, int] = {}
    queue = [(ahead(start), 0, 5 * start + 4)]
    while queue:
        _, cost, state = heappop(queue)
        if cost > best[state]:
            continue
        at, heading = divmod(state, 5)
        if at in goals:
            return _walk_back(before, state)
        crossing = grid.shared(at, net)
        for direction, step in enumerate(steps):
            turned = heading not in (4, direction)
            if turned and (crossing or direction == heading ^ 1):
                continue
            target = at + step
            taken, other = (grid.across, grid.along) if direction < 2 else (grid.along, grid.across)
            if corners[target] not in mine or taken[target] not in mine:
                continue
            aside = width if direction < 2 else 1
            further = cost + _STEP + _BEND * turned
            further += _NEAR * ((taken[target - aside] not in mine) + (taken[target + aside] not in mine))
            if other[target] not in mine:
                further += _CROSSING
            following = 5 * target + direction
            if further < best.get(following, 1 << 60):
                best[following] = further
                before[following] = state
                heappush(queue, (further + ahead(target), further, following))
    return None


class _distances:  # noqa: N801 - used as a function
    """Estimated cost from a cell to the rectangle around the goals; each cell is computed once."""

    def __init__(self, grid: Grid, goals: set[int]) -> None:
        cells = [grid.cell(goal) for goal in goals]
        self.columns = min(c for c, _ in cells), max(c for c, _ in cells)
        self.rows = min(r for _, r in cells), max(r for _, r in cells)
        self.grid = grid
        self.known: dict[int, int] = {}

    def __call__(self, at: int) -> int:
        found = self.known.get(at)
        if found is None:
            column, row = self.grid.cell(at)
            sideways = max(self.columns[0] - column, 0, column - self.columns[1])
            upward = max(self.rows[0] - row, 0, row - self.rows[1])
            found = self.known[at] = _AHEAD * (sideways + upward)
        return found


def _walk_back(before: Mapping[int, int], state: int) -> list[int]:
    path = [state // 5]
    while state in before:
        state = before[state]
        path.append(state // 5)
    return path[::-1]


def corner_points(path: Sequence[int]) -> Iterator[int]:
    """First and last cell of a path and every cell where it turns."""
    yield path[0]
    for (one, two), (_, three) in pairwise(pairwise(path)):
        if two - one != three - two:
            yield two
    if len(path) > 1:
        yield path[-1]
