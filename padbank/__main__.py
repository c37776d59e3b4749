"""``python -m padbank``."""

from padbank.cli.main import main

if __name__ == "__main__":  # worker processes import this module again
    main()
