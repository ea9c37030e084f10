"""The ledger, proved from the journal: every record counted again, and what every output has taken of them.

Knows: which counts were kept with the records (`ledger`), and how each can be counted again from what is there.
Must not know: how it is shown.

Three independent counts must agree: the accounts (kept when records were committed), the records themselves with what
was trimmed of them, and what each output counted as it handed over.  A daemon may run meanwhile.
"""

import json
from collections import Counter
from pathlib import Path
from typing import Any

import msgspec
from msgspec import structs

from collector.config.plan import OutputPlan, Plan
from collector.errors import CollectorError
from collector.journal import JournalReader
from collector.service.ledger import Account
from collector.service.memory import ACCOUNT

_TRIES = 5


class Moved(CollectorError):
    """Records were trimmed while they were counted, again and again."""


def prove(plan: Plan) -> dict[str, Any]:
    """`records`, `ports`, `outputs`, and `faults`: what does not balance, in words.  Raises StoppedByIO: no journal."""
    reader = JournalReader.open(plan.state)
    try:
        for _ in range(_TRIES):
            # first: no output is ahead of the journal
            taken = {name: _taken(plan.state, name) for name in plan.outputs}
            texts, last = reader.memory(ACCOUNT)
            accounts = {port: msgspec.json.decode(text, type=Account) for port, text in texts.items()}
            there = reader.kinds(0, last)
            outputs = {name: _output(output, accounts, reader.kinds(taken[name].get("delivered", 0), last), taken[name])
                       for name, output in plan.outputs.items()}
            again = {port: msgspec.json.decode(text, type=Account).gone
                     for port, text in reader.memory(ACCOUNT)[0].items()}
            if all(account.gone == again.get(port) for port, account in accounts.items()):
                return {"records": _records(accounts, last),
                        "ports": {port: structs.asdict(one) for port, one in accounts.items()},
                        "outputs": outputs, "faults": _faults(accounts, there, last, outputs)}
    finally:
        reader.close()
    raise Moved("records are being deleted while they are counted; try again in a minute")


def _records(accounts: dict[str, Account], last: int) -> dict[str, Any]:
    kinds = sum((Counter(account.kinds) for account in accounts.values()), Counter())
    return {"last-seq": last, "kinds": dict(kinds),
            "gone": sum(sum(account.gone.values()) for account in accounts.values())}


def _faults(accounts: dict[str, Account], there: Counter, last: int, outputs: dict[str, dict[str, int]]) -> list[str]:
    found = [f"port {port or '(none)'}: {fault}" for port, account in accounts.items() for fault in account.faults()]
    for port in sorted({*accounts, *(port for port, _ in there)}):
        account = accounts.get(port, Account())
        counted = Counter(account.gone) + Counter({kind: times for (name, kind), times in there.items()
                                                   if name == port})
        if Counter(account.kinds) != counted:
            found.append(f"port {port or '(none)'}: counted when they were kept {account.kinds}, "
                         f"in the journal and gone {dict(counted)}")
    total = sum(sum(account.kinds.values()) for account in accounts.values())
    if total != last:
        found.append(f"the last record is {last}, but {total} were counted when they were kept")
    for name, one in outputs.items():
        if one["records"] != one["delivered"] + one["refused"] + one["waiting"]:
            found.append(f"output {name}: {one['records']} records, but {one['delivered']} delivered, "
                         f"{one['refused']} refused, {one['waiting']} waiting")
    return found


def _output(output: OutputPlan, accounts: dict[str, Account], after: Counter, taken: dict[str, Any]) -> dict[str, int]:
    wanted = tuple(output.settings.kinds)

    def of_interest(kind: str) -> bool:
        return not wanted or kind in wanted

    records = sum(times for account in accounts.values() for kind, times in account.kinds.items() if of_interest(kind))
    waiting = sum(times for (_, kind), times in after.items() if of_interest(kind))
    return {"records": records, "delivered": taken.get("records", 0), "refused": taken.get("refused", 0),
            "waiting": waiting}


def _taken(state: Path, name: str) -> dict[str, Any]:
    try:
        found = json.loads((state / "outputs" / f"{name}.cursor").read_bytes())
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}
