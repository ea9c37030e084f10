"""A plan in words: what will be collected, by which limits it is judged, what is written where."""

from typing import Any

from collector.config.plan import OutputPlan, Plan, PortPlan
from collector.measuring.characteristic import Characteristic


def explain(plan: Plan) -> dict[str, Any]:
    """`words`: lines for a person; `ports`, `characteristics`, `outputs`: the same as tables."""
    ports = [_port(port) for port in plan.ports.values()]
    characteristics = [_characteristic(one) for one in plan.characteristics]
    outputs = [_output(plan, output) for output in plan.outputs.values()]
    words = [f"Site {plan.site}; journal in {plan.state}."]
    words += [f"Collects from {one['port']}: {one['device']}, {one['line']}; {one['frames']}." for one in ports]
    words += [_judged(one) for one in characteristics]
    words += [f"Writes {one['output']}: {one['what']} to {one['where']}." for one in outputs]
    return {"words": words, "ports": ports, "characteristics": characteristics, "outputs": outputs}


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
    reads = "deviations from nominal" if port.is_deviation else "sizes"
    return {"port": port.name, "device": line.device, "line": wire, "frames": f"{frames}; readings are {reads}"}


def _characteristic(one: Characteristic) -> dict[str, str]:
    def size(value: object) -> str:
        return "" if value is None else f"{value:f}"

    return {"part": one.part, "characteristic": one.name, "channel": one.channel, "unit": one.unit.value,
            "nominal": size(one.nominal), "lower": size(one.limits.lower), "upper": size(one.limits.upper)}


def _judged(one: dict[str, str]) -> str:
    unit = one["unit"]
    spans = {(True, True): f"passes from {one['lower']} {unit} to {one['upper']} {unit}, both included",
             (True, False): f"passes from {one['lower']} {unit} on",
             (False, True): f"passes up to {one['upper']} {unit}",
             (False, False): "is recorded without a verdict"}
    nominal = f", nominal {one['nominal']} {unit}" if one["nominal"] else ""
    return (f"Part {one['part']}, {one['characteristic']} on {one['channel']}{nominal}: "
            f"{spans[bool(one['lower']), bool(one['upper'])]}.")


def _output(plan: Plan, output: OutputPlan) -> dict[str, str]:
    settings = output.settings
    kinds = ", ".join(settings.kinds) if settings.kinds else "every kind of record"
    end = {"csv": "csv", "jsonl": "jsonl"}.get(output.kind, output.kind)
    name = f"{plan.site}-{output.name}-" + ("FIRSTSEQ-LASTSEQ" if settings.publish == "sealed" else "YYYY-MM-DD")
    return {"output": output.name, "what": f"{kinds} as {output.kind}, {settings.publish}", "where": f"{settings.folder}/{name}.{end}"}
