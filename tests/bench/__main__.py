"""The collector as its users run it, beside what they would otherwise use: one run on one machine, one table.

    python -m tests.bench [TOPIC …] [--short | --long] [--runs N]

Without a topic: all of them.  Medians of five runs, lowest and highest behind them; `--short` is one tiny run that shows
that it works, and times nothing; `--long` is the full durations.  A record that is missing ends it with an error.  On the
way it says on standard error what each run gave; a goal that is missed stands in the table as it is.
"""

import importlib
import sys

from tests.bench.table import say, table

TOPICS = ("wire", "ceiling", "delivered", "mqtt", "quiet", "idle", "start", "growth", "many", "memory", "catch_up", "kills",
          "slow_disk")


def main() -> None:
    words = [word for word in sys.argv[1:] if not word.startswith("--") and not word.isdecimal()]
    if unknown := set(words) - set(TOPICS):
        sys.exit(f"{', '.join(unknown)}: no such topic; there are {', '.join(TOPICS)}")
    found = []
    for name in words or TOPICS:
        say(name)
        found += importlib.import_module(f"tests.bench.{name}").figures()
    print(table(found))


if __name__ == "__main__":
    main()
