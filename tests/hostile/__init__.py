"""Files and calls made to break things, by generators with fixed seeds."""
