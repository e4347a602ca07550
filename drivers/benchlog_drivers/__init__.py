"""Adaptors: everything that talks to an instrument."""
