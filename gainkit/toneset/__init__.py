"""Tone sets to files on a stick, and back: read the set, write it, check it."""
