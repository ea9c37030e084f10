"""What is in force on each port, how long, and that a restart changes nothing of it."""

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.measuring.context import FIELDS, Context, Gone, Memory, Source

BOTH = ("left", "right")
SCAN = Source(name="scan", sets=FIELDS, ports=BOTH)
LABEL = Source(name="label", sets=("part", "serial", "lot", "master"), ports=BOTH, used=True)
MES = Source(name="mes", sets=("part", "lot", "operator"), ports=("right",))
USERS = {"housing": ("left/A", "left/B", "right"), "flange": ("right",), "ring": ("left/A", "right")}
CHANNELS = [("left", "A"), ("left", "B"), ("right", "")]


def users(part: str, master: str) -> tuple[str, ...]:
    return USERS.get(master or part, ())


def build(*sources: Source, memory: Memory | None = None) -> Context:
    return Context(memory or Memory(), {one.name: one for one in sources or (SCAN, LABEL, MES)}, users)


def restarted(context: Context, *sources: Source) -> Context:
    memory = msgspec.json.decode(msgspec.json.encode(context.memory), type=Memory)
    return build(*(sources or context.sources.values()), memory=memory)


def in_force(context: Context) -> list[dict[str, str]]:
    return [context.of(port, channel) for port, channel in CHANNELS]


# --- until replaced


def test_field_is_in_force_on_the_ports_of_its_source_until_replaced():
    context = build()
    context.put(MES, {"lot": "L1"})
    assert in_force(context) == [{}, {}, {"lot": "L1"}]
    context.put(SCAN, {"lot": "L2", "part": "housing"})
    assert in_force(context) == [{"lot": "L2", "part": "housing"}] * 3
    context.put(MES, {"lot": "L3"})
    assert in_force(context) == [{"lot": "L2", "part": "housing"}] * 2 + [{"lot": "L3", "part": "housing"}]


def test_field_until_replaced_is_never_used_up():
    context = build()
    context.put(SCAN, {"part": "housing", "serial": "S1"})
    for port, channel in CHANNELS * 2:
        assert context.use(port, channel, "housing", "") == []
    assert context.used_up("housing", "S1") == []
    assert in_force(context) == [{"part": "housing", "serial": "S1"}] * 3


def test_source_sets_what_it_may_set_and_says_what_that_was():
    context = build()
    assert context.put(MES, {"serial": "S1", "lot": "L1"}) == {"lot": "L1"}
    assert in_force(context)[2] == {"lot": "L1"}


def test_label_that_says_nothing_a_source_may_set_changes_nothing():
    context = build()
    assert context.put(MES, {"serial": "S1"}) == {} and context.put(SCAN, {}) == {}
    assert not context.touched and context.memory.ports == {}


def test_empty_text_ends_a_field_whoever_set_it():
    context = build()
    context.put(SCAN, {"lot": "L1", "operator": "A"})
    assert context.put(MES, {"lot": ""}) == {"lot": ""}
    assert in_force(context) == [{"lot": "L1", "operator": "A"}] * 2 + [{"operator": "A"}]


@pytest.mark.parametrize("said, is_left", [
    ({"part": "flange"}, False), ({"serial": "S2"}, False), ({"lot": "L2"}, True), ({"operator": "A"}, True),
    ({"part": ""}, True), ({"serial": ""}, True), ({"serial": "S2", "master": "ring"}, True),
    ({"part": "flange", "master": ""}, False)])
def test_new_part_or_serial_ends_a_master_and_nothing_else_does(said, is_left):
    context = build()
    context.put(SCAN, {"master": "ring"})
    context.put(SCAN, said)
    assert [("master" in one) for one in in_force(context)] == [is_left] * 3


def test_new_part_ends_a_master_on_its_own_ports_only():
    context = build()
    context.put(LABEL, {"master": "ring"})
    context.put(MES, {"part": "flange"})
    assert in_force(context) == [{"master": "ring"}, {"master": "ring"}, {"part": "flange"}]


# --- until used


def test_each_channel_of_the_part_takes_a_label_once_then_it_is_gone():
    context = build()
    context.put(LABEL, {"part": "housing", "serial": "S1"})
    label = {"part": "housing", "serial": "S1"}
    assert context.use("left", "A", "housing", "") == []
    assert in_force(context) == [{}, label, label]
    assert context.use("right", "", "housing", "") == []
    assert in_force(context) == [{}, label, {}]
    assert context.use("left", "B", "housing", "") == [Gone("label", ("part", "serial"), BOTH)]
    assert in_force(context) == [{}, {}, {}] and context.memory.ports == {"left": {}, "right": {}}


def test_channel_without_a_name_uses_a_label_up_as_any_other():
    context = build()
    context.put(LABEL, {"part": "flange"})
    assert context.use("right", "", "flange", "") == [Gone("label", ("part",), BOTH)]
    assert in_force(context) == [{}, {}, {}]


def test_channel_that_measures_twice_has_used_it_once():
    context = build()
    context.put(LABEL, {"part": "housing"})
    for _ in range(3):
        assert context.use("left", "A", "housing", "") == []
    assert context.memory.ports["left"]["part"].by == ["left/A"]
    assert in_force(context) == [{}, {"part": "housing"}, {"part": "housing"}]


def test_channels_on_ports_that_the_source_is_not_for_are_not_waited_for():
    left = Source(name="label", sets=FIELDS, ports=("left",), used=True)
    context = build(left)
    context.put(left, {"part": "housing"})
    assert context.use("left", "A", "housing", "") == []
    assert context.use("left", "B", "housing", "") == [Gone("label", ("part",), ("left",))]


def test_port_where_another_source_has_replaced_a_label_is_not_waited_for():
    context = build()
    context.put(LABEL, {"lot": "L1"})
    context.put(MES, {"lot": "L2"})
    assert context.use("left", "A", "housing", "") == []
    assert context.use("left", "B", "housing", "") == [Gone("label", ("lot",), BOTH)]
    assert in_force(context) == [{}, {}, {"lot": "L2"}]


def test_new_label_begins_anew_for_every_channel():
    context = build()
    context.put(LABEL, {"part": "housing", "serial": "S1"})
    context.use("left", "A", "housing", "")
    context.put(LABEL, {"part": "housing", "serial": "S2"})
    assert in_force(context) == [{"part": "housing", "serial": "S2"}] * 3


def test_measurement_of_a_part_uses_no_master_up_and_a_check_uses_no_part_up():
    context = build()
    context.put(LABEL, {"part": "housing", "master": "ring"})
    context.use("left", "A", "housing", "")
    assert in_force(context)[0] == {"master": "ring"}
    assert context.use("right", "", "housing", "ring") == []
    assert in_force(context)[2] == {"part": "housing"}
    assert context.use("left", "A", "housing", "ring") == [Gone("label", ("master",), BOTH)]
    assert in_force(context) == [{}, {"part": "housing"}, {"part": "housing"}]


def test_channel_uses_a_label_up_alone_where_nobody_else_can():
    context = build()
    context.put(LABEL, {"lot": "L1"})
    assert context.use("left", "B", "unknown", "") == [Gone("label", ("lot",), BOTH)]


def test_two_sources_end_each_for_themselves():
    other = Source(name="other", sets=("operator",), ports=("left",), used=True)
    context = build(SCAN, LABEL, MES, other)
    context.put(LABEL, {"part": "housing"})
    context.put(other, {"operator": "A"})
    context.use("left", "A", "housing", "")
    assert context.use("left", "B", "housing", "") == [Gone("other", ("operator",), ("left",))]
    assert context.use("right", "", "housing", "") == [Gone("label", ("part",), BOTH)]


def test_use_on_a_port_without_context_is_nothing():
    context = build()
    assert context.use("left", "A", "housing", "") == [] and not context.touched


# --- a part that is over


@pytest.mark.parametrize("part, serial, is_gone", [
    ("housing", "S1", True), ("housing", "S2", False), ("flange", "S1", False), ("housing", "", False)])
def test_complete_part_ends_the_label_that_named_it_and_no_other(part, serial, is_gone):
    context = build()
    context.put(SCAN, {"operator": "A"})
    context.put(LABEL, {"part": "housing", "serial": "S1", "master": "ring"})
    gone = [Gone("label", ("part", "serial"), BOTH)] if is_gone else []
    assert context.used_up(part, serial) == gone
    label = {} if is_gone else {"part": "housing", "serial": "S1"}
    assert in_force(context) == [{"operator": "A", "master": "ring", **label}] * 3


def test_part_without_serial_ends_the_label_that_a_channel_has_used():
    context = build()
    context.put(LABEL, {"part": "housing"})
    context.use("right", "", "housing", "")
    assert context.used_up("housing", "") == [Gone("label", ("part",), BOTH)]


def test_part_given_up_late_does_not_take_the_label_of_the_next_part_away():
    """A label for the next part of the same number was scanned; then the time of the one before was over."""
    context = build()
    context.put(LABEL, {"part": "housing"})
    context.use("left", "A", "housing", "")
    context.put(LABEL, {"part": "housing"})
    assert context.used_up("housing", "") == []
    assert in_force(context) == [{"part": "housing"}] * 3


# --- what must survive


def test_quick_answer_is_made_anew_after_each_change():
    context = build()
    context.put(SCAN, {"part": "housing"})
    in_force(context)
    assert context.is_plain("left") and context.is_plain("right")
    context.put(LABEL, {"serial": "S1"})
    assert not context.is_plain("left")
    context.use("left", "A", "housing", "")
    assert in_force(context)[0] == {"part": "housing"} and not context.is_plain("left")
    context.used_up("housing", "S1")
    assert in_force(context) == [{"part": "housing"}] * 3 and context.is_plain("left")


def test_each_change_is_to_be_kept_and_a_look_is_not():
    context = build()
    for change in (lambda: context.put(LABEL, {"part": "housing", "serial": "S1"}),
                   lambda: context.use("left", "A", "housing", ""), lambda: context.used_up("housing", "S1")):
        context.touched = False
        change()
        assert context.touched
    context.touched = False
    in_force(context)
    assert not context.touched


@pytest.mark.parametrize("source, left", [
    (None, [{}] * 3),
    (Source(name="scan", sets=("part",), ports=BOTH), [{"part": "housing"}] * 3),
    (Source(name="scan", sets=FIELDS, ports=("right",)), [{}, {}, {"part": "housing", "lot": "L1"}])])
def test_what_a_source_may_not_set_by_another_configuration_is_forgotten(source, left):
    context = build()
    context.put(SCAN, {"part": "housing", "lot": "L1"})
    found = restarted(context, *([source] if source else [LABEL]))
    assert in_force(found) == left and found.touched
    assert not restarted(found).touched


def test_orders_that_were_applied_are_remembered():
    context = build()
    context.memory.orders["mes"] = "order-1"
    assert restarted(context).memory.orders == {"mes": "order-1"}


texts = st.sampled_from(["housing", "flange", "ring", "", "1"])
fields = st.sampled_from(["part", "serial", "lot", "master", "operator"])
happenings = st.lists(st.one_of(
    st.tuples(st.just("put"), st.sampled_from([SCAN, LABEL, MES]),
              st.dictionaries(fields, texts, min_size=1, max_size=3)),
    st.tuples(st.just("use"), st.sampled_from(CHANNELS), st.sampled_from(["housing", "flange", "other"]),
              st.sampled_from(["", "ring"])),
    st.tuples(st.just("over"), st.sampled_from(["housing", "flange"]), st.sampled_from(["", "1"]))), max_size=25)


def happen(context: Context, what: str, first, second, *third) -> object:
    if what == "put":
        return context.put(first, second)
    return context.use(*first, second, *third) if what == "use" else context.used_up(first, second)


@given(happenings)
def test_restart_in_between_changes_nothing_and_is_asked_for_whenever_something_changed(happenings):
    steady, kept = build(), Memory()
    for one in happenings:
        context = build(memory=msgspec.json.decode(msgspec.json.encode(kept), type=Memory))
        assert happen(context, *one) == happen(steady, *one)
        assert in_force(context) == in_force(steady) and context.memory == steady.memory
        if context.touched:
            kept = context.memory
        assert kept == context.memory                  # what was not asked to be kept had not changed


def walked(story: list, place: tuple[str, str], wanted: str) -> str:
    """The text of a field for a channel, by a walk back: to who set it last, unless the channel has used it since."""
    port, has_used = place[0], False
    for what, first, second, *third in reversed(story):
        if what == "use":
            has_used = has_used or first == place and bool(third[0]) == (wanted == "master")
        elif port in first.ports:
            said = {name: text for name, text in second.items() if name in first.sets}
            if wanted in said:
                return "" if first.used and has_used else said[wanted]
            if wanted == "master" and (said.get("part") or said.get("serial")):
                return ""
    return ""


@given(happenings)
def test_any_story_gives_each_channel_of_the_part_what_a_walk_back_through_it_gives(happenings):
    """All channels use parts and masters here; so a label that is gone, and one that all have used, look alike."""
    every = ["left/A", "left/B", "right"]
    context = Context(Memory(), {one.name: one for one in (SCAN, LABEL, MES)}, lambda part, master: every)
    story = []
    for one in happenings:
        if one[0] != "over":
            story.append(one)
            happen(context, *one)
        for place in CHANNELS:
            found = {name: text for name in FIELDS if (text := walked(story, place, name))}
            assert context.of(*place) == found
