"""Settings of the whole suite."""

from hypothesis import settings

settings.register_profile("suite", derandomize=True, deadline=None)
settings.register_profile("hunt", deadline=None, max_examples=2000, print_blob=True)
settings.load_profile("suite")
