"""Which topics a vehicle has: of its records, its findings and the clock.

Every record has a topic with messages of a type of our own; what other programs know a standard type for has
a topic of that type too. No two have one name: the first record of a type has the plain one ("odom"), others
have it below the name of their record ("rear_motion/odom").
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.mapping.topic_rules import UNSAID
from canmap.topics.record_messages import record_message
from canmap.topics.standard_types import standard_types
from canmap.topics.topic import MessageForm, Qos, Topic
from canmap.vocabulary.record_types import DEMAND_TYPES, Battery, Drive, Motion, Steering, Stop, Wheels
from canmap.vocabulary.ros_names import DEMANDS, KEPT_TOPICS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from canmap.mapping.model import MessageRule, RecordRule, Spec
    from canmap.mapping.topic_rules import TopicRule
    from canmap.topics.definitions import MessageType
    from canmap.vocabulary.record_types import Record

NOT_MEASURED = 1e6  # m^2, rad^2 and so on: height, roll and pitch, of which a plane motion knows nothing
# Standard deviations of 0.1 m/s ahead and aside (slip), and of 0.1 rad/s: common practice for a small vehicle
# on wheels, to be replaced by what is measured. Row by row: x, y, z, turns about x, y, z; only the diagonal.
TWIST_VARIANCES = (0.01, 0.01, NOT_MEASURED, NOT_MEASURED, NOT_MEASURED, 0.01)
# Of 1 m and about 0.3 rad. Dead reckoning drifts without end, so that no constant is right for long: whoever
# fuses sensors takes the twist.
POSE_VARIANCES = (1.0, 1.0, NOT_MEASURED, NOT_MEASURED, NOT_MEASURED, 0.1)

TRANSFORM_DEPTH = 100  # as other broadcasters on /tf have it (common practice)
_TYPES = {
    MessageForm.ODOMETRY: "nav_msgs/msg/Odometry",
    MessageForm.TWIST: "geometry_msgs/msg/TwistWithCovarianceStamped",
    MessageForm.ACKERMANN: "ackermann_msgs/msg/AckermannDriveStamped",
    MessageForm.WHEEL_SPEEDS: "sensor_msgs/msg/JointState",
    MessageForm.BATTERY: "sensor_msgs/msg/BatteryState",
    MessageForm.STOP_ACTIVE: "std_msgs/msg/Bool",
    MessageForm.DIAGNOSTICS: "diagnostic_msgs/msg/DiagnosticArray",
    MessageForm.TRANSFORM: "tf2_msgs/msg/TFMessage",
    MessageForm.CLOCK: "rosgraph_msgs/msg/Clock",
}
_WITHOUT_FRAME = {MessageForm.STOP_ACTIVE, MessageForm.DIAGNOSTICS, MessageForm.CLOCK}
_STOP_ACTIVE = "stop/active"


@dataclass(frozen=True, slots=True)
class LeftOutTopic:
    """A topic that a vehicle could have and has not.

    Attributes:
        name: What it would be called.
        record: The record that it would be of, "" for none.
        reason: Why there is none, as the end of a sentence.
    """

    name: str
    record: str
    reason: str


@dataclass(frozen=True, slots=True)
class TopicPlan:
    """The topics of a vehicle, and those that are left out."""

    topics: tuple[Topic, ...]
    left_out: tuple[LeftOutTopic, ...]


@dataclass(frozen=True, slots=True)
class _Draft:
    """A topic that has no name yet: it takes the first of `names` that is free."""

    topic: Topic
    rule: TopicRule
    names: tuple[str, ...]


def topic_table(spec: Spec, *, clock: bool = False) -> tuple[Topic, ...]:
    """Return the topics of a vehicle, record by record, then those of the whole vehicle.

    `stop/active` is made of all Stop records, and each of them stamps it: who listens to it alone must not
    miss a source.

    Args:
        spec: The vehicle's mapping spec.
        clock: Whether the session clock is sent too.
    """
    return planned_topics(spec, clock=clock).topics


def planned_topics(spec: Spec, *, clock: bool = False) -> TopicPlan:
    """Return the same with what is left out, and why; see `topic_table`."""
    planner = _Planner(spec)
    drafts: list[_Draft] = []
    left_out: list[LeftOutTopic] = []
    for part in (*planner.of_records(), *planner.of_vehicle(clock=clock)):
        if isinstance(part, LeftOutTopic):
            left_out.append(part)
        elif part.rule.published:
            drafts.append(part)
        else:
            records = part.topic.records if part.topic.form is not MessageForm.STOP_ACTIVE else ()
            reason = f"the spec leaves it out (line {part.rule.line})"
            left_out.append(LeftOutTopic(part.names[0], "".join(records[:1]), reason))
    return TopicPlan(_named(drafts), tuple(left_out))


def _named(drafts: list[_Draft]) -> tuple[Topic, ...]:
    """Give topics their names: first those that the spec gives, then the standard types, then our own."""
    taken = {*KEPT_TOPICS, *(draft.rule.name.removeprefix("/") for draft in drafts if draft.rule.name)}
    names: dict[int, str] = {}
    for number in sorted(range(len(drafts)), key=lambda at: drafts[at].topic.form is MessageForm.OWN):
        draft = drafts[number]
        name = draft.rule.name or next(one for one in _tried(draft) if one not in taken)
        names[number] = name
        taken.add(name)
    return tuple(replace(draft.topic, name=names[number]) for number, draft in enumerate(drafts))


def _tried(draft: _Draft) -> Iterator[str]:
    """Yield the names that a topic may get, the best one first."""
    yield from draft.names
    yield from (f"{draft.names[-1]}_{number}" for number in itertools.count(2))


class _Planner:
    """Drafts the topics of a spec."""

    def __init__(self, spec: Spec) -> None:
        self._spec = spec
        self._promises = {(rule.bus, rule.message.name): rule for rule in spec.messages}

    def of_records(self) -> Iterator[_Draft | LeftOutTopic]:
        """Draft the topics of each record, and tell which it could have and has not."""
        standard: dict[type[Record], Callable[[RecordRule], Iterator[_Draft | LeftOutTopic]]] = {
            Motion: self._motion,
            Steering: self._steering,
            Wheels: self._wheels,
            Battery: self._battery,
        }
        for rule in self._spec.records:
            said = self._spec.topics.of(rule.name)
            if not said.published:
                reason = f"the spec leaves the record out (line {said.line})"
                yield LeftOutTopic(rule.name, rule.name, reason)
                continue
            if rule.type in standard:
                yield from standard[rule.type](rule)
            yield self._own(rule)

    def of_vehicle(self, *, clock: bool) -> Iterator[_Draft | LeftOutTopic]:
        """Draft the topics that are of no single record."""
        said = self._spec.topics
        stops = [rule for rule in self._spec.records if rule.type is Stop and said.of(rule.name).published]
        if stops:
            yield self._draft(MessageForm.STOP_ACTIVE, stops, said.stop_active, (_STOP_ACTIVE,))
        yield self._draft(MessageForm.DIAGNOSTICS, [], said.diagnostics, ("/diagnostics",))
        if clock:
            yield self._draft(MessageForm.CLOCK, [], UNSAID, ("/clock",))
        else:
            yield LeftOutTopic("/clock", "", "it is sent only where asked for")

    def _own(self, rule: RecordRule) -> _Draft:
        names = (rule.name, f"{rule.name}/record")
        if rule.type in DEMAND_TYPES:  # never where a controller listens
            plain = rule.type.__name__.removesuffix("Demand").lower()
            names = (DEMANDS + plain, DEMANDS + rule.name)
        return self._draft(MessageForm.OWN, [rule], self._said(MessageForm.OWN, rule), names)

    def _motion(self, rule: RecordRule) -> Iterator[_Draft | LeftOutTopic]:
        said = self._spec.topics.of(rule.name)
        twist_covariance = said.twist_covariance or _diagonal(TWIST_VARIANCES)
        odometry = self._standard(MessageForm.ODOMETRY, [rule], "odom")
        changed = replace(
            odometry.topic,
            child_frame_id=self._spec.topics.base_frame,
            pose_covariance=said.pose_covariance or _diagonal(POSE_VARIANCES),
            twist_covariance=twist_covariance,
        )
        yield replace(odometry, topic=changed)
        twist = self._standard(MessageForm.TWIST, [rule], "twist")
        yield replace(twist, topic=replace(twist.topic, twist_covariance=twist_covariance))
        if not said.transform:
            yield LeftOutTopic("/tf", rule.name, "the spec does not say `transform: yes`")
            return
        transform = self._draft(MessageForm.TRANSFORM, [rule], UNSAID, ("/tf",))
        placed = replace(transform.topic, frame_id=changed.frame_id, child_frame_id=changed.child_frame_id)
        yield replace(transform, topic=placed)

    def _steering(self, rule: RecordRule) -> Iterator[_Draft | LeftOutTopic]:
        """Draft the report of the road wheels' angle, with the speed of the first Drive that has one."""
        name = "ackermann/report"
        if not _has(rule, "road_angle", "wheel_angle"):
            yield LeftOutTopic(name, rule.name, "the record has neither `road_angle` nor `wheel_angle`")
            return
        if not _has(rule, "road_angle") and self._spec.geometry.steering_ratio is None:
            yield LeftOutTopic(name, rule.name, "the `steering_ratio` is not known")
            return
        drives = [one for one in self._spec.records if one.type is Drive and _has(one, "speed")]
        if drives:
            yield self._standard(MessageForm.ACKERMANN, [rule, *drives[:1]], name)
        else:
            yield LeftOutTopic(name, rule.name, "no record of the type Drive has the `speed`")

    def _wheels(self, rule: RecordRule) -> Iterator[_Draft | LeftOutTopic]:
        name = "wheels/joint_states"
        if self._spec.geometry.rolling_radius is None:
            yield LeftOutTopic(name, rule.name, "the `rolling_radius` is not known")
        else:
            yield self._standard(MessageForm.WHEEL_SPEEDS, [rule], name)

    def _battery(self, rule: RecordRule) -> Iterator[_Draft | LeftOutTopic]:
        if _has(rule, "voltage"):  # the one value that the definition of the type asks for
            yield self._standard(MessageForm.BATTERY, [rule], "battery")
        else:
            yield LeftOutTopic("battery", rule.name, "the record has no `voltage`")

    def _standard(self, form: MessageForm, rules: list[RecordRule], plain: str) -> _Draft:
        return self._draft(form, rules, self._said(form, rules[0]), (plain, f"{rules[0].name}/{plain}"))

    def _said(self, form: MessageForm, rule: RecordRule) -> TopicRule:
        return self._spec.topics.of(rule.name).rule(form.value)

    def _draft(
        self, form: MessageForm, rules: list[RecordRule], said: TopicRule, names: tuple[str, ...]
    ) -> _Draft:
        """Draft a topic with what the spec says of its frame and of how its messages are offered."""
        promises = [self._promises[rule.bus, rule.stamp] for rule in rules]
        stamping = promises if form is MessageForm.STOP_ACTIVE else promises[:1]
        qos = _qos(form, rules, _deadline_ns(stamping))
        topic = Topic(
            name="",
            type=self._type(form, rules),
            form=form,
            records=tuple(rule.name for rule in rules),
            qos=_qos_as_said(qos, said),
            frame_id=said.frame or self._frame(form),
            latency_ns=promises[0].latency_ns or 0 if promises else 0,
        )
        return _Draft(topic, said, names)

    def _type(self, form: MessageForm, rules: list[RecordRule]) -> MessageType:
        if form is MessageForm.OWN:
            return record_message(rules[0].type, self._spec.vehicle)
        return standard_types()[_TYPES[form]]

    def _frame(self, form: MessageForm) -> str:
        if form is MessageForm.ODOMETRY:
            return self._spec.topics.odom_frame
        return "" if form in _WITHOUT_FRAME else self._spec.topics.base_frame


def _has(rule: RecordRule, *fields: str) -> bool:
    """Tell whether a record has one of the fields."""
    return any(field.type.name in fields for field in rule.fields)


def _diagonal(variances: tuple[float, ...]) -> tuple[float, ...]:
    side = len(variances)
    return tuple(
        variance if row == column else 0.0 for row, variance in enumerate(variances) for column in range(side)
    )


def _deadline_ns(stamping: list[MessageRule]) -> int | None:
    """Return the longest time between two messages that is promised, of whatever stamps them.

    Nothing is promised of a message that comes only under conditions.
    """
    promised = [
        rule.stale_after_ns for rule in stamping if rule.stale_after_ns is not None and not rule.active_when
    ]
    return min(promised, default=None)


def _qos(form: MessageForm, rules: list[RecordRule], deadline_ns: int | None) -> Qos:
    """Return what is offered where the spec says nothing: who comes late must know of a stop."""
    if form is MessageForm.TRANSFORM:
        return Qos(depth=TRANSFORM_DEPTH)
    stops = bool(rules) and all(rule.type is Stop for rule in rules)
    return Qos(transient_local=stops, deadline_ns=deadline_ns)


def _qos_as_said(qos: Qos, said: TopicRule) -> Qos:
    deadline_ns = qos.deadline_ns if said.deadline_ns is None else said.deadline_ns or None
    return Qos(
        reliable=qos.reliable if said.reliable is None else said.reliable,
        transient_local=qos.transient_local if said.transient_local is None else said.transient_local,
        depth=said.depth or qos.depth,
        deadline_ns=deadline_ns,
    )
