"""Settings that all tests share."""

from __future__ import annotations

from hypothesis import settings

# The same examples on every run: a failure seen once is a failure that can be seen again.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")
