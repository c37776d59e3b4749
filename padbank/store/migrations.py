"""Named, append-only steps of the catalogue's schema. A released name never changes.

Tables
------
originals     one row for each original, keyed by the SHA-256 of its bytes
clips         name, original, number of the recipe in force, rights; ``removed`` keeps its place
recipes       every recipe that a clip ever had (clip, number): undo is an older number
tags          (clip, tag)
sources       files as they were when added: unchanged ones are skipped
measurements  (original, recipe key, method): what a meter read
profiles      (original): facts for choosing between versions (see ``workflow.facts``)
layouts       (show, number): layouts with their rig, method and result
hits          what was played, for learning
"""

from __future__ import annotations

from sqlite_utils import Database, Migrations

migrations = Migrations("padbank")


@migrations()
def m001_clips(db: Database) -> None:
    """Originals, clips and everything said of them."""
    db.table("originals").create(
        {
            "sha256": str, "sound_sha256": str, "suffix": str, "n_bytes": int, "frames": int,
            "sample_rate_hz": int, "channels": int, "source": str,
            "source_start_s": float, "source_end_s": float, "added_at": str,
        },
        pk="sha256",
    )  # fmt: skip
    db.table("originals").create_index(["sound_sha256"])
    db.table("clips").create(
        {
            "id": int, "name": str, "original": str, "recipe_number": int,
            "licence": str, "credit": str, "added_at": str, "removed_at": str,
        },
        pk="id",
        not_null={"name", "original", "recipe_number"},
        foreign_keys=[("original", "originals", "sha256")],
    )  # fmt: skip
    db.table("clips").create_index(["name"], unique=True)
    db.table("clips").create_index(["original"])
    db.table("recipes").create(
        {"clip": int, "number": int, "recipe": str, "made_at": str, "why": str},
        pk=("clip", "number"),
        foreign_keys=[("clip", "clips", "id")],
    )
    db.table("tags").create(
        {"clip": int, "tag": str}, pk=("clip", "tag"), foreign_keys=[("clip", "clips", "id")]
    )
    db.table("tags").create_index(["tag"])
    db.table("sources").create(
        {"path": str, "section": str, "n_bytes": int, "mtime_ns": int, "original": str},
        pk=("path", "section"),
    )
    db.table("measurements").create(
        {
            "original": str, "recipe_key": str, "method": str, "frames": int,
            "sample_rate_hz": int, "channels": int, "integrated_lufs": float,
            "momentary_max_lufs": float, "short_term_max_lufs": float,
            "loudness_range_lu": float, "true_peak_dbtp": float, "sample_peak_dbfs": float,
        },
        pk=("original", "recipe_key", "method"),
    )  # fmt: skip
    db.table("profiles").create({"original": str, "recipe_key": str, "profile": str}, pk=("original", "recipe_key"))


@migrations()
def m002_layouts(db: Database) -> None:
    """Layouts numbered per show, and hits learned from takes."""
    db.table("layouts").create(
        {"show": str, "number": int, "rig": str, "layout": str, "result": str, "made_at": str},
        pk=("show", "number"),
    )
    db.table("hits").create(
        {"id": int, "show": str, "segment": str, "clip": str, "hits": float, "take": str, "at": str},
        pk="id",
    )
