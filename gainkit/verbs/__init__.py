"""The jobs of the commands as functions that take a path as well as a capture; `gainkit` exports them."""
