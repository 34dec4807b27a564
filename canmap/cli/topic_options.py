"""`--topics` and what goes with it: what a command is asked to send on topics of a ROS 2 node."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Any

import click

from canmap.base.dataclass import dataclass
from canmap.base.errors import ArgumentError, UsageError
from canmap.cli.options import seconds
from canmap.cli.printing import print_line

if TYPE_CHECKING:
    import contextlib
    from collections.abc import Callable, Sequence

    from canmap.mapping.model import Spec
    from canmap.outputs.node.topic_sink import TopicSink
    from canmap.timing.pace import Pace
    from canmap.topics.topic import Topic

ROS_ARGUMENTS = "--ros-args"
_END = "--"
_KEPT_IN = "canmap.ros_arguments"
LONGEST_WAIT_S = 3600.0
LONGEST_DISCOVERY_S = 5.0  # nodes announce themselves several times at once, and then every 3 s
_OPTIONS = (
    click.option("--topics", is_flag=True, help="Publish records and findings as topics of a ROS 2 node."),
    click.option("--namespace", metavar="NAME", help="Put the topics, and the node, below NAME."),
    click.option(
        "--stamps",
        type=click.Choice(["original", "now"]),
        help="Stamps in the messages: as recorded (original), or as if received now.",
    ),
    click.option("--clock", is_flag=True, help="Publish /clock, for nodes with use_sim_time."),
    click.option(
        "--wait-for-readers",
        "wait_s",
        metavar="S",
        type=seconds,
        help="Begin when nodes have subscribed, after S seconds at the latest (5).",
    ),
)


class RosCommand(click.Command):
    """A command that takes ROS arguments as ROS 2 programs do: from `--ros-args` to `--` or the end."""

    def parse_args(self, context: click.Context, args: list[str]) -> list[str]:
        """Put the ROS arguments aside, and parse the others."""
        own, ros = list(args), None
        while ROS_ARGUMENTS in own:
            begin = own.index(ROS_ARGUMENTS)
            end = own.index(_END, begin) if _END in own[begin:] else len(own)
            ros = [*(ros or ()), *own[begin + 1 : end]]
            own[begin : end + 1] = []
        context.meta[_KEPT_IN] = ros
        return super().parse_args(context, own)


@dataclass(frozen=True, slots=True)
class TopicRequest:
    """What is to be sent on topics.

    Attributes:
        namespace: Of the node, "" for none.
        stamps_now: Whether stamps are those of now, not of the recording.
        clock: Whether the clock goes out too.
        wait_s: How long the begin may wait for readers, in s.
        ros_arguments: What is passed on to ROS 2.
    """

    namespace: str
    stamps_now: bool
    clock: bool
    wait_s: float
    ros_arguments: tuple[str, ...]

    def sink(self, spec: Spec, pace: Pace | None, stack: contextlib.ExitStack) -> TopicSink:
        """Start the node, wait for its readers, and return what sends to them; the end of `stack` ends it.

        Raises:
            UsageError: The namespace is none, the node cannot be started, or no topic is left.
        """
        from canmap.outputs.node.rosnode import RosNode
        from canmap.outputs.node.topic_sink import TopicSink
        from canmap.timing.pace import wait_until_settled
        from canmap.topics.topic_table import topic_table

        if self.stamps_now and pace is None:
            raise UsageError("--stamps now needs a pace: flat out, nothing says when a message is due.")
        topics = topic_table(spec, clock=self.clock)
        checked_names(topics, self.namespace)
        node = stack.enter_context(RosNode(topics, namespace=self.namespace, arguments=self.ros_arguments))
        for sentence in node.left_out:
            print_line(sentence, to_stderr=True)
        if not wait_until_settled(node.readers, self.wait_s) and self.wait_s:
            print_line("no node has subscribed to a topic yet; the replay begins", to_stderr=True)
        return TopicSink(node, topics, pace=pace, stamps_now=self.stamps_now)


def checked_names(topics: Sequence[Topic], namespace: str) -> tuple[str, ...]:
    """Return the full names of topics in the namespace that `--namespace` gives.

    Raises:
        UsageError: It is not a namespace, or makes names that ROS 2 does not take.
    """
    from canmap.topics.full_names import full_names

    try:
        return full_names(topics, namespace)
    except ArgumentError as error:
        raise UsageError(f"--{error.argument}: {error.reason}") from None


def sends_topics(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a `RosCommand` the options: `topics`, a `TopicRequest` or None, and the `namespace`.

    That is also for a bag, which a command may write `into`.
    """

    @functools.wraps(command)
    def with_topics(
        *others: object,
        topics: bool,
        namespace: str | None,
        stamps: str | None,
        clock: bool,
        wait_s: float | None,
        **own: object,
    ) -> Any:
        ros = click.get_current_context().meta.get(_KEPT_IN)
        given = {
            "--namespace": namespace, "--stamps": stamps, "--clock": clock or None,
            "--wait-for-readers": wait_s, ROS_ARGUMENTS: ros,
        }  # fmt: skip
        from canmap.outputs.bags.bag_names import is_bag

        to_bag = is_bag(str(own.get("into")))
        for option, value in given.items():
            if value is not None and not (topics or (option == "--namespace" and to_bag)):
                raise UsageError(f"{option} is for --topics; give that too, or leave it out.")
        longest_s = LONGEST_DISCOVERY_S if wait_s is None else wait_s
        if not 0 <= longest_s <= LONGEST_WAIT_S:
            raise UsageError(f"--wait-for-readers {longest_s:g} is not from 0 to {LONGEST_WAIT_S:g} seconds.")
        request = TopicRequest(namespace or "", stamps == "now", clock, longest_s, tuple(ros or ()))
        return command(*others, topics=request if topics else None, namespace=request.namespace, **own)

    return functools.reduce(lambda made, option: option(made), reversed(_OPTIONS), with_topics)
