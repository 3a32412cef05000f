"""Could chance alone have made it so? The exact test for wrong words that all lie on one side."""

from __future__ import annotations

from math import exp, lgamma


def all_on_one_side(wrong: int, here: int, elsewhere: int) -> float:
    """Probability that so many wrong words, drawn by lot from all words, all lie on one given side.

    That is the hypergeometric term C(here, wrong) / C(here + elsewhere, wrong), which is the one-sided exact
    test of R. A. Fisher (Statistical Methods for Research Workers, 5th edition 1934, section 21.02; from
    memory) for a table of which one cell is empty. Who looks at several sides and tells the striking ones has
    to multiply by their number (Bonferroni).

    Args:
        wrong: Number of wrong words, all on the one side.
        here: Words on that side.
        elsewhere: Words on the other.

    >>> round(6 * all_on_one_side(2, 2, 2), 9)  # one of the six ways to choose two of four
    1.0
    """
    if wrong > here:
        raise ValueError(f"{wrong} wrong words of {here}")
    if wrong == 0 or elsewhere == 0:
        return 1.0
    log = lgamma(here + 1) - lgamma(here - wrong + 1)
    log -= lgamma(here + elsewhere + 1) - lgamma(here + elsewhere - wrong + 1)
    return min(exp(log), 1.0)
