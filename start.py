#!/usr/bin/env python3
"""Set padbank up and run it: needs Python 3.11 or newer and, the first time, a package index.

    python3 start.py              make .venv, install padbank, run the demo
    python3 start.py test [...]   the same with the test tools, then the whole test suite
    python3 start.py ARGS...      run padbank with ARGS

This file keeps to words that very old Pythons can parse, so that they can
say what is missing instead of failing on a line of syntax.
"""

import hashlib
import os
import subprocess
import sys

NEEDED = (3, 11)
ROOT = os.path.dirname(os.path.abspath(__file__))
VENV = os.path.join(ROOT, ".venv")
LOG = os.path.join(VENV, "install.log")


def stop(sentence):
    sys.stderr.write(sentence + "\n")
    sys.exit(1)


def venv_python():
    if os.name == "nt":
        return os.path.join(VENV, "Scripts", "python.exe")
    return os.path.join(VENV, "bin", "python")


def stamp(extra):
    """What the environment was made for: this folder, this Python, these requirements."""
    with open(os.path.join(ROOT, "pyproject.toml"), "rb") as file:
        wanted = file.read().replace(b"\r\n", b"\n")
    key = "|".join([ROOT, sys.version, extra]).encode("utf-8") + wanted
    return hashlib.sha256(key).hexdigest()


def stamp_path(extra):
    return os.path.join(VENV, "ready-" + (extra or "run"))


def is_ready(extra):
    if not os.path.exists(venv_python()):
        return False
    for name in {extra, "test"}:
        try:
            with open(stamp_path(name)) as file:
                if file.read() == stamp(name):
                    return True
        except OSError:
            pass
    return False


def make_venv():
    try:
        import venv
    except ImportError:
        stop(
            "This Python has no venv module: install it (on Debian and Ubuntu: "
            "sudo apt install python3-venv) and run start.py again."
        )
    sys.stderr.write("Making padbank's own environment in .venv (once) ...\n")
    try:
        venv.EnvBuilder(with_pip=True, clear=True).create(VENV)
    except (Exception, SystemExit) as error:
        stop(
            "The environment in .venv could not be made (%s): install the venv and ensurepip parts of "
            "Python (on Debian and Ubuntu: sudo apt install python3-venv) or check that this "
            "folder can be written, then run start.py again." % str(error).strip().split("\n")[0]
        )


def install(extra):
    what = ROOT + ("[%s]" % extra if extra else "")
    sys.stderr.write("Installing padbank and what it needs (a minute or two, once) ...\n")
    command = [venv_python(), "-m", "pip", "install", "--disable-pip-version-check", "-e", what]
    with open(LOG, "wb") as log:
        code = subprocess.call(command, stdout=log, stderr=subprocess.STDOUT, cwd=ROOT)
    if code == 0:
        with open(stamp_path(extra), "w") as file:
            file.write(stamp(extra))
        return
    with open(LOG, "rb") as log:
        text = log.read().decode("utf-8", "replace")
    no_index = (
        "No matching distribution" in text
        or "Could not find a version" in text
        or "Failed to establish" in text
        or "Temporary failure in name resolution" in text
        or "Max retries exceeded" in text
    )
    if no_index:
        stop(
            "The package index could not be reached or lacks a package: connect to the internet "
            "and run start.py again (the details are in %s)." % LOG
        )
    stop("The installation failed: the details are in %s; mend what it names and run start.py again." % LOG)


def main():
    if sys.version_info < NEEDED:
        stop(
            "padbank needs Python %d.%d or newer, and this is %d.%d: install a newer one and run "
            "start.py with it." % (NEEDED + tuple(sys.version_info[:2]))
        )
    args = sys.argv[1:]
    testing = args[:1] == ["test"]
    extra = "test" if testing else ("bench" if args[:1] == ["bench"] else "")
    if not is_ready(extra):
        works = os.path.exists(venv_python())
        if works:
            try:
                works = subprocess.call([venv_python(), "-c", "import pip, sys; sys.exit(sys.version != %r)" % sys.version]) == 0
            except OSError:
                works = False
        if not works:
            make_venv()
        install(extra)
    environment = dict(os.environ)
    environment.pop("PYTHONHOME", None)
    environment.pop("PYTHONPATH", None)
    environment.setdefault("PYTHONUTF8", "1")
    if testing:
        # the whole suite goes by files to all cores; a part of it stays in one process
        command = [venv_python(), "-m", "pytest"] + (args[1:] or ["-n", "auto", "--maxprocesses", "4", "--dist", "loadfile"])
        here = ROOT
    else:
        command = [venv_python(), "-m", "padbank"] + (args or ["demo"])
        here = None
        if not args:
            here = ROOT
    try:
        sys.exit(subprocess.call(command, cwd=here, env=environment))
    except KeyboardInterrupt:
        sys.exit(130)


if __name__ == "__main__":
    main()
