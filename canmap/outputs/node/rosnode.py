"""A ROS 2 node that publishes ready-made messages: the only module that talks to rclpy.

What rclpy and the libraries below it log is not shown, unless the ROS arguments ask for it; a failure of
theirs is a sentence. rclpy installs no handlers of signals: Ctrl-C stays with whoever runs this.
"""

from __future__ import annotations

import math
import os
import sys
import time
from collections import defaultdict
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from canmap.base.errors import UsageError, library_reason
from canmap.base.extras import rclpy
from canmap.base.words import listed
from canmap.topics.topic import MessageForm

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from types import TracebackType

    from canmap.topics.definitions import MessageType
    from canmap.topics.topic import Qos, Topic

NODE_NAME = "canmap"
MOST_DOMAIN = 232  # the largest whose ports fit: DDSI-RTPS 2.5, 9.6.2.3 (from memory)
_MIDDLEWARES = "share/ament_index/resource_index/rmw_typesupport"
_CHOOSES_ONE = "rmw_implementation"  # is listed among the middlewares, but only loads one of them
_QUIET = ("--disable-stdout-logs", "--disable-rosout-logs", "--disable-external-lib-logs")
_ASKS_FOR_LOGS = ("--log-level", "--enable-stdout-logs", "--enable-rosout-logs", "--enable-external-lib-logs")
_ACKNOWLEDGED_S = 0.5  # how long the readers of a topic get to confirm what they were sent
_FORGOTTEN_S = 20.0  # after which a node that crashed is forgotten (the lease of Fast DDS, from memory)


class RosNode:
    """A node with a publisher for each topic; a context, which takes the node out of the graph when it ends.

    A topic whose type is not there, or is not the one that its messages are made for, is left out.

    Args:
        topics: To publish on; a relative name goes into the namespace.
        namespace: Of the node, "" for none.
        arguments: Further ROS arguments, as they follow `--ros-args`: a remap, the name of the node.

    Attributes:
        left_out: A sentence for each reason why topics are left out, with what to do.

    Raises:
        UsageError: There is no ROS 2, it cannot be started in this environment or with these arguments, or no
            topic is left.
    """

    def __init__(
        self, topics: Sequence[Topic], *, namespace: str = "", arguments: Sequence[str] = ()
    ) -> None:
        _check_domain()
        _check_middleware()
        self._rclpy = rclpy()
        self._context = self._rclpy.Context()
        self._node: Any = None
        self._publishers: dict[str, Any] = {}
        self._waits_from_s = -math.inf  # on time.monotonic: until then no readers are waited for
        try:
            self._start(namespace, arguments)
            self.left_out = self._offer(topics)
        except BaseException:
            self.close()
            raise

    def _start(self, namespace: str, arguments: Sequence[str]) -> None:
        logging = self._rclpy.logging
        quiet = not any(argument in _ASKS_FOR_LOGS for argument in arguments)
        try:
            if quiet:  # it logs what it finds in its arguments before it acts on them
                logging.set_logger_level("rcl", logging.LoggingSeverity.FATAL)
            self._rclpy.init(
                args=[NODE_NAME, "--ros-args", *(_QUIET if quiet else ()), *arguments],
                context=self._context,
                signal_handler_options=self._rclpy.signals.SignalHandlerOptions.NO,
            )
            self._node = self._rclpy.node.Node(
                NODE_NAME,
                context=self._context,
                namespace=namespace,
                enable_rosout=not quiet,
                start_parameter_services=False,  # nothing here would answer
                parameter_overrides=[
                    self._rclpy.Parameter("start_type_description_service", value=False),
                ],
            )
        except Exception as error:
            raise UsageError(f"The ROS 2 node cannot be started: {_why(error)}.") from error

    def _offer(self, topics: Sequence[Topic]) -> tuple[str, ...]:
        """Make the publishers, and return why some are missing."""
        missing: dict[str, list[str]] = defaultdict(list)
        for topic in topics:
            try:
                kind = _class_of(topic.type, self._rclpy.type_support.check_for_type_support)
                self._publishers[topic.name] = self._node.create_publisher(
                    kind, topic.name, self._profile(topic.qos)
                )
            except _NoTypeError as error:
                missing[f"{error}; {_remedy(topic)}"].append(topic.name)
            except Exception as error:
                raise UsageError(f"The topic {topic.name} cannot be offered: {_why(error)}.") from error
        if missing and not self._publishers:
            raise UsageError(f"No topic can be published, as {', and '.join(missing)}.")
        return tuple(
            f"{listed(names, 'and')} {'is' if len(names) == 1 else 'are'} left out, as {why}."
            for why, names in missing.items()
        )

    def _profile(self, qos: Qos) -> Any:
        library = self._rclpy.qos
        reliable, durable = library.ReliabilityPolicy, library.DurabilityPolicy
        offered = {
            "history": library.HistoryPolicy.KEEP_LAST,
            "depth": qos.depth,
            "reliability": reliable.RELIABLE if qos.reliable else reliable.BEST_EFFORT,
            "durability": durable.TRANSIENT_LOCAL if qos.transient_local else durable.VOLATILE,
        }
        if qos.deadline_ns is not None:
            offered["deadline"] = self._rclpy.duration.Duration(nanoseconds=qos.deadline_ns)
        return library.QoSProfile(**offered)

    def publisher(self, topic: Topic) -> Callable[[bytes], None] | None:
        """Return what sends the CDR bytes of a message on a topic, None where the topic is left out."""
        found = self._publishers.get(topic.name)
        return None if found is None else found.publish

    def readers(self) -> int:
        """Return how many subscriptions are matched with the topics now."""
        return sum(publisher.get_subscription_count() for publisher in self._publishers.values())

    def let_readers_catch_up(self, topic: Topic) -> None:
        """Wait until a topic's readers have confirmed what was sent, at most for half a second.

        A reader that takes longer hangs or has crashed, and may read every topic. So no reader is waited for
        until the middleware has forgotten it.
        """
        if time.monotonic() >= self._waits_from_s and not self._acknowledged(self._publishers[topic.name]):
            self._waits_from_s = time.monotonic() + _FORGOTTEN_S

    def _acknowledged(self, publisher: Any) -> bool:
        if not publisher.get_subscription_count():
            return True
        return bool(publisher.wait_for_all_acked(self._rclpy.duration.Duration(seconds=_ACKNOWLEDGED_S)))

    def flush(self) -> None:
        """Let readers confirm the last messages: what they lack when the node goes never comes."""
        for publisher in self._publishers.values():
            if not self._acknowledged(publisher):
                return  # one that hangs; it is not waited for once a topic

    def close(self) -> None:
        """Take the node out of the graph."""
        node, self._node = self._node, None
        self._publishers = {}
        if node is not None:
            node.destroy_node()
        self._context.try_shutdown()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class _NoTypeError(Exception):
    """A message type cannot be used; its text says why."""


def _class_of(wanted: MessageType, check_loads: Callable[[Any], None]) -> Any:
    """Return the class of a message type, which knows its description to the middleware.

    Raises:
        _NoTypeError: It is not there, or has other fields.
    """
    package, _, name = wanted.name.split("/")
    try:
        kind = getattr(import_module(f"{package}.msg"), name)
        check_loads(kind)
    except ModuleNotFoundError:
        raise _NoTypeError(f"the package {package} is not there") from None
    except AttributeError:
        raise _NoTypeError(f"the package {package} has no type {name}") from None
    except Exception as error:  # of the type's libraries, which may be of another ROS 2
        raise _NoTypeError(f"the package {package} cannot be loaded ({_why(error)})") from error
    if list(kind.get_fields_and_field_types()) != [field.name for field in wanted.fields]:
        raise _NoTypeError(f"{wanted.name} has other fields here")
    return kind


def _remedy(topic: Topic) -> str:
    if topic.form is MessageForm.OWN:
        return (
            "write the package with 'canmap topics SPEC --into FOLDER', build it with colcon, and source it"
        )
    package = topic.type.name.partition("/")[0]
    return f"install {package} for this ROS 2, or build it from source with colcon and source it"


def _check_domain() -> None:
    """Refuse a domain that the middleware cannot take: there it would end the whole program.

    Raises:
        UsageError: ROS_DOMAIN_ID is no number from 0 to 232.
    """
    text = os.environ.get("ROS_DOMAIN_ID", "")
    if text and not (text.isascii() and text.isdigit() and int(text) <= MOST_DOMAIN):
        raise UsageError(f"ROS_DOMAIN_ID is {text}; it has to be a number from 0 to {MOST_DOMAIN}.")


def _check_middleware() -> None:
    """Refuse a middleware that is not installed: ROS 2 would end the whole program while it is imported.

    Which ones are, an installed ROS 2 lists in its index of resources; without a list nothing is checked.

    Raises:
        UsageError: RMW_IMPLEMENTATION names one that is not listed.
    """
    wanted = os.environ.get("RMW_IMPLEMENTATION", "")
    places = [*filter(None, os.environ.get("AMENT_PREFIX_PATH", "").split(os.pathsep)), sys.prefix]
    listings = (Path(place, _MIDDLEWARES).glob("rmw_*") for place in places)
    here = sorted({file.name for files in listings for file in files} - {_CHOOSES_ONE})
    if wanted and here and wanted not in here:
        raise UsageError(
            f"RMW_IMPLEMENTATION is {wanted}, which this ROS 2 does not have; it has {listed(here, 'and')}."
        )


def _why(error: Exception) -> str:
    """Return what rclpy says of a failure, without the places in its source."""
    if type(error).__name__ == "UnknownROSArgsError":
        return f"it does not know the ROS arguments {library_reason(error).strip('[]')}"
    said = library_reason(error).removeprefix("failed to initialize rcl: ")
    return said.partition(", at /")[0].partition(". Error:")[0].rstrip(".:")
