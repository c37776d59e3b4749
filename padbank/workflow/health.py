"""``check``: is the library sound? Every original hashed again, every row looked at."""

from __future__ import annotations

from padbank.domain import Finding
from padbank.dsp.method import METHOD
from padbank.errors import InputError
from padbank.progress import Progress, silent
from padbank.store.library import Library
from padbank.store.originals import all_originals, hash_file
from padbank.workflow.clips import check_recipe
from padbank.workflow.incoming import find_leftovers
from padbank.workflow.keys import played_key
from padbank.workflow.shows import list_rigs


def check_library(library: Library, *, progress: Progress = silent) -> list[Finding]:
    """Everything wrong with a library, at once; an empty list means sound.

    Looks for: a damaged catalogue, originals that are missing or whose bytes
    have changed, files that no clip knows, recipes that do not fit their
    original, clips not measured with today's meter, clips without rights,
    rigs that cannot be read, files left by a crash.
    """
    findings: list[Finding] = []
    catalogue = library.catalogue
    verdict = next(iter(catalogue.db.query("pragma integrity_check")))["integrity_check"]
    if verdict != "ok":
        findings.append(
            Finding(code="catalogue-damaged", severity="error", where="catalogue.db",
                    text=f"the catalogue is damaged ({verdict}): put back a copy of the library folder")
        )  # fmt: skip
    clips = catalogue.clips()
    known = {o.sha256: o for o in catalogue.originals()}
    files = list(all_originals(library.originals))
    present = {path.stem: path for path in files}
    for index, (sha256, original) in enumerate(sorted(known.items())):
        progress(index, len(known), original.source)
        users = ", ".join(c.name for c in clips if c.original.sha256 == sha256) or "a removed clip"
        path = present.get(sha256)
        if path is None:
            findings.append(
                Finding(code="original-missing", severity="error", where=users,
                        text=f"the original of {users} is missing: add {original.source} again")
            )  # fmt: skip
            continue
        try:
            found, n_bytes = hash_file(path)
        except OSError as error:
            findings.append(
                Finding(code="original-unreadable", severity="error", where=str(path),
                        text=f"the original of {users} cannot be read ({error.strerror}): check the disk")
            )  # fmt: skip
            continue
        if found != sha256:
            findings.append(
                Finding(code="original-changed", severity="error", where=str(path), number=n_bytes, limit=original.n_bytes,
                        text=f"the original of {users} has changed on disk: put it back from a copy, or delete it and add {original.source} again")
            )  # fmt: skip
    progress(len(known), len(known), "")
    for path in files:
        if path.stem not in known:
            findings.append(
                Finding(code="original-unknown", severity="note", where=str(path),
                        text=f"{path.name[:12]}… belongs to no clip: a stop while adding left it; add its file again or ignore it")
            )  # fmt: skip
    for path in find_leftovers(library.originals):
        findings.append(
            Finding(code="leftover", severity="note", where=str(path), text="an unfinished copy: the next add clears it away")
        )
    levels = catalogue.measurements(METHOD)
    for clip in clips:
        try:
            check_recipe(clip, clip.recipe)
        except InputError as error:
            findings.append(Finding(code="recipe-outside", severity="error", where=clip.name, text=str(error)))
        if clip.licence is None:
            findings.append(
                Finding(code="rights-unknown", severity="warning", where=clip.name,
                        text=f"{clip.name} has no licence stated: padbank edit {clip.name} --licence …")
            )  # fmt: skip
        if (clip.original.sha256, played_key(clip.recipe)) not in levels:
            findings.append(
                Finding(code="not-measured", severity="note", where=clip.name,
                        text=f"{clip.name} will be measured when it is next planned or exported")
            )  # fmt: skip
    for rig in list_rigs(library):
        if rig.fault:
            findings.append(Finding(code="rig-unreadable", severity="warning", where=rig.file, text=rig.fault))
    return findings
