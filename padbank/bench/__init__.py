"""Side-by-side comparisons with other libraries, run by hand: ``padbank bench``."""
