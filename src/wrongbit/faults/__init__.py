"""Fault models as likelihoods over what was seen.

`evidence` condenses judged cycles to unique observations; `models` has one module a family of faults, each
fault predicting the word that would have been seen; `posterior` scores all of them, singles and pairs.
Wording for people stands beside the prediction, so that the two cannot part.
"""
