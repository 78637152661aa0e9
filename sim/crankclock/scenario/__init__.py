"""From a scenario file to validated SI floats, and from those to parts."""
