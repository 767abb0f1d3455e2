"""``python -m livealign``."""

from livealign.cli import main

main()
