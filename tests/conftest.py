"""One hypothesis profile for all tests: no deadline, and in CI the same examples every time."""

import os

from hypothesis import settings

settings.register_profile("any", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "any")
