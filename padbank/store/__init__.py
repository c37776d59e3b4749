"""The library folder: catalogue, originals, migrations."""
