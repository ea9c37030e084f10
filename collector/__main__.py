"""`python -m collector`."""

from collector.cli import main

raise SystemExit(main())
