"""Test tones as recipes of samples, exact in level and frequency."""
