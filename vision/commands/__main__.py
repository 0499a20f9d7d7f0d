"""`python -m vision.commands` is the console command."""

from vision.commands import main

raise SystemExit(main())
