"""`python -m server` is the same as the console command `blockhouse`."""

from server.cli import main

raise SystemExit(main())
