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
            told = reader.counted()
            before = [_taken(plan.state, name) for name in plan.outputs]
            if told.trimmed == reader.counted().trimmed:
                return _balance(plan, told, dict(zip(plan.outputs, before)))
    finally:
        reader.close()
    raise Moved("records are being deleted while they are counted; try again in a minute")


def _balance(plan: Plan, told: Any, taken: dict[str, dict[str, Any]]) -> dict[str, Any]:
    accounts = {key.removeprefix(ACCOUNT): msgspec.json.decode(text, type=Account)
                for key, text in told.memory.items() if key.startswith(ACCOUNT)}
    counted: dict[str, Counter] = {}
    for (port, kind), times in (*told.rows.items(), *told.trimmed.items()):
        counted.setdefault(port, Counter())[kind] += times
    faults = [f"port {port or '(none)'}: {fault}" for port, account in accounts.items() for fault in account.faults()]
    for port in sorted({*accounts, *counted}):
        kept, found = accounts.get(port, Account()).kinds, dict(counted.get(port, {}))
        if kept != found:
            faults.append(f"port {port or '(none)'}: records by kind were counted as {kept}, in the journal are {found}")
    total = sum(sum(kinds.values()) for kinds in counted.values())
    if total != told.last:
        faults.append(f"the last record is {told.last}, but {total} records were kept")
    outputs = {name: _output(output, told, taken[name]) for name, output in plan.outputs.items()}
    for name, one in outputs.items():
        if one["records"] != one["delivered"] + one["refused"] + one["waiting"]:
            faults.append(f"output {name}: {one['records']} records, but {one['delivered']} delivered, {one['refused']} refused, "
                          f"{one['waiting']} waiting")
    return {"records": {"last-seq": told.last, "kept": total, "trimmed": sum(told.trimmed.values()),
                        "kinds": dict(sum(counted.values(), Counter()))},
            "ports": {port: structs.asdict(account) for port, account in accounts.items()}, "outputs": outputs, "faults": faults}


def _output(output: OutputPlan, told: Any, taken: dict[str, Any]) -> dict[str, int]:
    wanted = tuple(output.settings.kinds)
    through = taken.get("delivered", 0)
    after = sum(times for kind, times in told.after(through).items() if not wanted or kind in wanted)
    records = sum(times for (_, kind), times in (*told.rows.items(), *told.trimmed.items()) if not wanted or kind in wanted)
    return {"records": records, "delivered": taken.get("records", 0), "refused": taken.get("refused", 0), "waiting": after}


def _taken(state: Path, name: str) -> dict[str, Any]:
    try:
        found = json.loads((state / "outputs" / f"{name}.cursor").read_bytes())
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}
