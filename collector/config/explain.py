"""A plan in words: what will be collected, by which limits it is judged, what is written where."""

from decimal import Decimal
from typing import Any

from collector.clock import Stamps
from collector.config.plan import OutputPlan, Plan, PortPlan
from collector.measuring.characteristic import Characteristic, Master
from collector.measuring.judge import PROVEN, SIMPLE
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
    words += [f"Context {one['context']}: {one['from']} sets {one['sets']} for {one['ports']} until {one['until']}."
              for one in sources]
    words += [f"Writes {one['output']}: {one['what']} to {one['where']}." for one in outputs]
    words += [f"Writes metrics to {plan.metrics}."] if plan.metrics else []
    return {"words": words, "ports": ports, "characteristics": characteristics, "context": sources, "outputs": outputs}


def _port(port: PortPlan) -> dict[str, str]:
    line, cut = port.line, port.framing
    wire = ("over TCP" if "://" in line.device
            else f"{line.baud} baud {line.bits}{line.parity}{line.stop}, flow {line.flow}")
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
    if port.request is not None:
        asked = port.request
        reads = f"{reads}; it is asked {asked.send!r} every {asked.every} ms, and has {asked.timeout_ms} ms to answer"
    if port.silent_ms:
        reads = f"{reads}; no frame for {port.silent_ms / 1000:g} s is an alarm"
    if line.own_parity:
        reads = f"{reads}; parity is checked here"
    return {"port": port.name, "device": line.device, "line": wire, "frames": f"{frames}; {reads}"}


def _characteristic(one: Characteristic) -> dict[str, str]:
    def size(value: Decimal | None) -> str:
        return "" if value is None else f"{value:f}"

    unit, judging = one.unit.value, one.judging
    told = {"part": one.part, "characteristic": one.name, "channel": one.channel, "unit": unit,
            "nominal": size(one.nominal), "lower": size(one.limits.lower), "upper": size(one.limits.upper)}
    more = {"from": one.expression.text if one.expression else "", "uncertainty": size(judging.uncertainty)}
    if judging.rule != SIMPLE:
        more |= {"rule": judging.rule, "passes-lower": size(judging.passes.lower),
                 "passes-upper": size(judging.passes.upper),
                 "fails-lower": size(judging.fails.lower), "fails-upper": size(judging.fails.upper)}
    classes = one.classes.ordered if one.classes else ()
    more |= {"evaluate": _evaluate(one), "masters": "; ".join(_master(master, unit) for master in one.masters),
             "classes": "; ".join(f"{each.name} {each.low:f} to {each.high:f} {unit}" for each in classes),
             "expansion": size(one.expansion)}
    return told | {key: text for key, text in more.items() if text}


def _evaluate(one: Characteristic) -> str:
    stream = one.stream
    if stream is None:
        return ""
    end = {"quiet": f"{stream.quiet_ns // 1_000_000} ms of quiet",
           "marks": "a mark in the line"}.get(stream.until, "an over-range")
    if stream.way == SETTLED:
        return (f"one measurement for each part, once it stays within {stream.band:f} {one.unit.value} for "
                f"{stream.time_ns // 1_000_000} ms; {end} ends it")
    return f"one record for each turn, its {one.report}; {end} ends it"


def _master(master: Master, unit: str) -> str:
    good = [f"{master.every_ns / 3_600_000_000_000:g} h" if master.every_ns else "",
            f"{master.parts} parts" if master.parts else ""]
    good_for = " or ".join(text for text in good if text)
    calibrated = "" if master.due_ns is None else f", calibrated through {Stamps().text(master.due_ns - 1)[:10]}"
    return (f"{master.name} {master.size:f} {unit} within {master.within:f} {unit}"
            + (f", good for {good_for}" if good_for else "") + calibrated)


def _judged(one: dict[str, str]) -> str:
    unit = one["unit"]
    nominal = f", nominal {one['nominal']} {unit}" if one["nominal"] else ""
    where = f"derived from {one['from']}" if "from" in one else f"on {one['channel']}"
    said = [_limits(one)]
    said += [one["evaluate"]] if "evaluate" in one else []
    said += [f"{key} {one[key]}" for key in ("masters", "classes") if key in one]
    said += [f"corrected to 20 °C with {one['expansion']} for each kelvin"] if "expansion" in one else []
    return f"Part {one['part']}, {one['characteristic']} {where}{nominal}: {'; '.join(said)}."


def _limits(one: dict[str, str]) -> str:
    unit, lower, upper = one["unit"], one["lower"], one["upper"]
    if not lower and not upper:
        return "is recorded without a verdict"
    if "rule" not in one:
        return f"passes {_span(lower, upper, unit)}"
    inner = _span(one.get("passes-lower", ""), one.get("passes-upper", ""), unit)
    rule = f"by rule {one['rule']} with uncertainty {one['uncertainty']} {unit}"
    text = f"tolerance {_span(lower, upper, unit)}; {rule} passes {inner}"
    if one["rule"] != PROVEN:
        return text
    ends = (("below", "fails-lower"), ("above", "fails-upper"))
    outer = [f"{word} {one[key]} {unit}" for word, key in ends if key in one]
    return f"{text}, fails {' and '.join(outer)}, else is undecided"


def _span(lower: str, upper: str, unit: str) -> str:
    if lower and upper:
        return f"from {lower} {unit} to {upper} {unit}, both included"
    return f"from {lower} {unit} on" if lower else f"up to {upper} {unit}"


def _source(plan: Plan, name: str) -> dict[str, str]:
    source = plan.sources[name]
    place = f"folder {plan.folders[name]}" if name in plan.folders else \
        f"port {next(port for port, names in plan.scanners.items() if name in names)}"
    return {"context": name, "from": place, "sets": ", ".join(source.sets), "ports": ", ".join(source.ports),
            "until": "used by one part" if source.used else "replaced"}


def _output(plan: Plan, output: OutputPlan) -> dict[str, str]:
    settings = output.settings
    kinds = ", ".join(settings.kinds) if settings.kinds else "every kind of record"
    what = f"{kinds} as {output.kind}"
    if not hasattr(settings, "folder"):                # a queue
        return {"output": output.name, "what": what, "where": settings.url}
    if settings.publish == "replaced":                 # a board
        return {"output": output.name, "what": f"a board to look at, anew each {settings.every / 1000:g} s,",
                "where": f"{settings.folder}/{plan.site}-{output.name}.html"}
    name = f"{plan.site}-{output.name}-" + ("FIRSTSEQ-LASTSEQ" if settings.publish == "sealed" else "YYYY-MM-DD")
    return {"output": output.name, "what": f"{what}, {settings.publish}",
            "where": f"{settings.folder}/{name}.{output.kind}"}
