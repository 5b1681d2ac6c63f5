"""``python -m service`` is ``wardian``."""

from service.cli import main

main()
