"""A plan in words: what will be collected, by which limits it is judged, what is written where."""

from decimal import Decimal
from typing import Any

from collector.config.plan import OutputPlan, Plan, PortPlan
from collector.measuring.characteristic import Characteristic, Master
from collector.measuring.judge import SIMPLE
from collector.measuring.streams import SETTLED


def explain(plan: Plan) -> dict[str, Any]:
    """`words`: lines for a person; `ports`, `characteristics`, `context`, `outputs`: the same as tables."""
    ports = [_port(port) for port in plan.ports.values()]
    characteristics = [_characteristic(one) for one in plan.characteristics]
    outputs = [_output(plan, output) for output in plan.outputs.values()]
    words = [f"Site {plan.site}; journal in {plan.state}."]
    words += [f"Collects from {one['port']}: {one['device']}, {one['line']}; {one['frames']}." for one in ports]
    words += [_judged(one) for one in characteristics]
    sources = [_source(plan, name) for name in plan.sources]
    words += [f"Context {one['context']}: {one['from']} sets {one['sets']} for {one['ports']} until {one['until']}." for one in sources]
    words += [f"Writes {one['output']}: {one['what']} to {one['where']}." for one in outputs]
    return {"words": words, "ports": ports, "characteristics": characteristics, "context": sources, "outputs": outputs}


def _port(port: PortPlan) -> dict[str, str]:
    line, cut = port.line, port.framing
    wire = "over TCP" if "://" in line.device else f"{line.baud} baud {line.bits}{line.parity}{line.stop}, flow {line.flow}"
    if cut.length:
        frames = f"a frame is {cut.length} bytes"
    elif cut.gap_ms:
        frames = f"a frame ends after {cut.gap_ms} ms of quiet"
    elif cut.start:
        frames = f"a frame lies between {cut.start!r} and {cut.end[0]!r}".replace("b'", "'")
    elif len(cut.end) > 1:
        frames = "a frame ends at CR, LF or CR LF"
    else:
        frames = f"a frame ends at {cut.end[0]!r}".replace("b'", "'")
    reads = "readings are deviations from nominal" if port.is_deviation else "readings are sizes"
    if port.parser.spec.context_only:
        reads = "it says what is in force"
    return {"port": port.name, "device": line.device, "line": wire, "frames": f"{frames}; {reads}"}


def _characteristic(one: Characteristic) -> dict[str, str]:
    def size(value: Decimal | None) -> str:
        return "" if value is None else f"{value:f}"

    told = {"part": one.part, "characteristic": one.name, "channel": one.channel, "unit": one.unit.value,
            "nominal": size(one.nominal), "lower": size(one.limits.lower), "upper": size(one.limits.upper)}
    more = {"from": one.expression.text if one.expression else "", "rule": "" if one.judging.rule == SIMPLE else one.judging.rule,
            "uncertainty": size(one.judging.uncertainty), "passes-lower": size(one.judging.passes.lower),
            "passes-upper": size(one.judging.passes.upper), "evaluate": _evaluate(one),
            "masters": "; ".join(_master(master, one.unit.value) for master in one.masters)}
    return told | {key: text for key, text in more.items() if text and not (key.startswith("passes") and one.judging.rule == SIMPLE)}


def _evaluate(one: Characteristic) -> str:
    stream = one.stream
    if stream is None:
        return ""
    end = {"quiet": f"{stream.quiet_ns // 1_000_000} ms of quiet", "marks": "the marks in the line"}.get(stream.until, "an over-range")
    if stream.way == SETTLED:
        return (f"one measurement for each part, once it stays within {stream.band:f} {one.unit.value} for "
                f"{stream.time_ns // 1_000_000} ms; {end} ends it")
    return f"one record for each turn, its {one.report}; {end} ends it"


def _master(master: Master, unit: str) -> str:
    good = [f"{master.every_ns / 3_600_000_000_000:g} h" if master.every_ns else "", f"{master.parts} parts" if master.parts else ""]
    good_for = " or ".join(text for text in good if text)
    return f"{master.name} {master.size:f} {unit} within {master.within:f} {unit}" + (f", good for {good_for}" if good_for else "")


def _judged(one: dict[str, str]) -> str:
    unit = one["unit"]
    spans = {(True, True): f"passes from {one['lower']} {unit} to {one['upper']} {unit}, both included",
             (True, False): f"passes from {one['lower']} {unit} on",
             (False, True): f"passes up to {one['upper']} {unit}",
             (False, False): "is recorded without a verdict"}
    nominal = f", nominal {one['nominal']} {unit}" if one["nominal"] else ""
    where = f"derived from {one['from']}" if "from" in one else f"on {one['channel']}"
    text = spans[bool(one["lower"]), bool(one["upper"])]
    if "rule" in one:
        inner = {"lower": one.get("passes-lower", ""), "upper": one.get("passes-upper", "")}
        text = (f"tolerance {one['lower'] or '…'} to {one['upper'] or '…'} {unit}; by rule {one['rule']} with uncertainty {one['uncertainty']} "
                f"{unit} passes from {inner['lower'] or '…'} to {inner['upper'] or '…'} {unit}, both included")
    more = [one[key] for key in ("evaluate",) if key in one] + ([f"masters {one['masters']}"] if "masters" in one else [])
    return f"Part {one['part']}, {one['characteristic']} {where}{nominal}: {'; '.join([text, *more])}."


def _source(plan: Plan, name: str) -> dict[str, str]:
    source = plan.sources[name]
    place = f"folder {plan.folders[name]}" if name in plan.folders else \
        f"port {next(port for port, names in plan.scanners.items() if name in names)}"
    return {"context": name, "from": place, "sets": ", ".join(source.sets), "ports": ", ".join(source.ports),
            "until": "used by one part" if source.used else "replaced"}


def _output(plan: Plan, output: OutputPlan) -> dict[str, str]:
    settings = output.settings
    kinds = ", ".join(settings.kinds) if settings.kinds else "every kind of record"
    end = {"csv": "csv", "jsonl": "jsonl"}.get(output.kind, output.kind)
    name = f"{plan.site}-{output.name}-" + ("FIRSTSEQ-LASTSEQ" if settings.publish == "sealed" else "YYYY-MM-DD")
    return {"output": output.name, "what": f"{kinds} as {output.kind}, {settings.publish}", "where": f"{settings.folder}/{name}.{end}"}
