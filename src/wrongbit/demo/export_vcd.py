"""A VCD writer (IEEE 1364-2001, clause 18: four-state value change dump).

Scalars and vectors, two-state levels, one scope. A vector's leading zeros are left out, which the standard's
rule of left extension allows.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from wrongbit.demo.instrument import Recording

_FIRST_CODE, _CODES = 33, 94
"""Identifier codes are made of the printable characters ``!`` to ``~``."""


def vcd_of_samples(recording: Recording, names: Mapping[str, str], scope: str) -> bytes:
    """A timing recording as a list of changes, time 0 at its first sample.

    Args:
        recording: From timing mode.
        names: Line of the board = name in the file.
        scope: Name of the scope.

    Raises:
        ValueError: The recording has no times.
    """
    if recording.period_ps is None:
        raise ValueError("state mode has no times")
    unit, step = ("ns", recording.period_ps // 1000)
    if recording.period_ps % 1000:
        unit, step = "ps", recording.period_ps
    widths = {line: sum(channel.line == line for channel in recording.channels) for line in names}
    codes = {line: _code(number) for number, line in enumerate(names)}
    head = [
        "$comment",
        f"  {len(recording)} samples, trigger at sample {-recording.first}",
        "$end",
        f"$timescale 1 {unit} $end",
        f"$scope module {scope} $end",
    ]
    for line, name in names.items():
        width = widths[line]
        indices = f" [{width - 1}:0]" if width > 1 else ""
        head.append(f"$var wire {width} {codes[line]} {name}{indices} $end")
    head += ["$upscope $end", "$enddefinitions $end"]
    return ("\n".join(head + _changes(recording, widths, codes, step)) + "\n").encode()


def _changes(
    recording: Recording, widths: Mapping[str, int], codes: Mapping[str, str], step: int
) -> list[str]:
    """The value change section, the dump of all levels at time 0 in front."""
    lines = ["#0", "$dumpvars"]
    where, texts = [], []
    for line, width in widths.items():
        words = recording.of(line)
        lines.append(_change(int(words[0]), width, codes[line]))
        changed = np.flatnonzero(words[1:] != words[:-1]) + 1
        where.append(changed)
        texts += [_change(word, width, codes[line]) for word in words[changed].tolist()]
    lines.append("$end")
    index = np.concatenate(where)
    order = np.argsort(index, kind="stable")
    last = 0
    for at, row in zip(index[order].tolist(), order.tolist(), strict=True):
        if at != last:
            lines.append(f"#{at * step}")
            last = at
        lines.append(texts[row])
    if last != len(recording) - 1:  # how long the last levels stood
        lines.append(f"#{(len(recording) - 1) * step}")
    return lines


def _change(word: int, width: int, code: str) -> str:
    return f"{word}{code}" if width == 1 else f"b{word:b} {code}"


def _code(number: int) -> str:
    """Identifier code of the n-th variable: ``!``, ``"``, … ``~``, ``!!``, …

    >>> _code(0), _code(93), _code(94)
    ('!', '~', '!!')
    """
    text = ""
    number += 1
    while number:
        number, digit = divmod(number - 1, _CODES)
        text = chr(_FIRST_CODE + digit) + text
    return text
