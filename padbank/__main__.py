"""``python -m padbank``."""

from padbank.cli.main import main

main()
