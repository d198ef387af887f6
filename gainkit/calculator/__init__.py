"""The arithmetic of the job: targets, loads, pads, feeds, meters. Pure functions, no files, no terminal."""
