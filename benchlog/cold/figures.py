"""Figures with SI prefixes, for sentences and screens."""

from benchlog.model.printed import with_prefix as figure

__all__ = ["figure"]
