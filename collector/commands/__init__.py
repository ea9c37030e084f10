"""One file a command: `add_arguments(parser)` and `run(args) -> exit code`."""

COMMANDS = {                                  # name -> (module, one line for --help)
    "run": ("run", "the daemon: collect until SIGTERM or SIGINT"),
    "check": ("check", "verify a configuration and say in words what it would do"),
    "ports": ("ports", "the serial devices on this machine and their stable names"),
    "draft": ("draft", "propose a format for captured frames, explained field by field"),
    "listen": ("listen", "show what arrives on a line, as text and hex; --probe finds its settings"),
    "try": ("try_", "run a capture through a configuration; nothing is written"),
    "status": ("status", "ports, counts, backlog; exit 1 if anything needs a person"),
    "export": ("export", "records out of the journal as CSV or JSON lines"),
    "report": ("report", "a page for a lot, a part or a time span: charts, figures, what was out (extra `report`)"),
    "study": ("study", "a gauge study: plan it, pick its readings out of the journal, show it (extra `report`)"),
    "resend": ("resend", "records that an output has refused: list them, or hand them over again"),
    "backup": ("backup", "journal, cursors and refused records in one new file; the daemon may run"),
    "restore": ("restore", "make the state folder of a backup, under a new JOURNAL"),
    "salvage": ("salvage", "every sound record of a damaged journal, or of one that was set aside, as JSON lines"),
    "simulate": ("simulate", "stand-in columns on pseudo-terminals, from a scenario"),
}
