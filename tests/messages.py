"""ROS 2 message types and values for tests, and the library rosbags as what they are compared with."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from hypothesis import strategies as st
from rosbags.typesys import Stores, get_types_from_msg, get_typestore

from canmap.topics.definitions import MessageField, MessageType, message_type, schema_text, with_dependencies

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rosbags.typesys.store import Typestore

# byte up to 127: rosbags takes a single one as signed.
DTYPES = {"bool": "?", "byte": "u1", "float32": "f4", "float64": "f8"} | {
    f"{sign}int{8 * size}": f"{kind}{size}" for sign, kind in (("", "i"), ("u", "u")) for size in (1, 2, 4, 8)
}
TEXTS = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=9)

# Three more standard types, whose hashes are published too.
MORE = {
    "std_msgs/msg/String": "string data",
    "geometry_msgs/msg/TwistStamped": "std_msgs/Header header\nTwist twist",
    "geometry_msgs/msg/Accel": "Vector3 linear\nVector3 angular",
    "geometry_msgs/msg/AccelStamped": "std_msgs/Header header\nAccel accel",
    "sensor_msgs/msg/Temperature": "std_msgs/Header header\nfloat64 temperature\nfloat64 variance",
    "sensor_msgs/msg/Imu": (
        "std_msgs/Header header\ngeometry_msgs/Quaternion orientation\nfloat64[9] orientation_covariance\n"
        "geometry_msgs/Vector3 angular_velocity\nfloat64[9] angular_velocity_covariance\n"
        "geometry_msgs/Vector3 linear_acceleration\nfloat64[9] linear_acceleration_covariance"
    ),
    "sensor_msgs/msg/NavSatStatus": "int8 status\nuint16 service",
    "sensor_msgs/msg/NavSatFix": (
        "std_msgs/Header header\nNavSatStatus status\nfloat64 latitude\nfloat64 longitude\nfloat64 altitude\n"
        "float64[9] position_covariance\nuint8 position_covariance_type"
    ),
}


def more_types() -> dict[str, MessageType]:
    return {name: message_type(name, text) for name, text in MORE.items()}


def rosbags_store(kind: MessageType, known: Mapping[str, MessageType]) -> Typestore:
    """A store of rosbags that knows nothing but a type and its parts, by the text of their schema."""
    store = get_typestore(Stores.EMPTY)
    store.register(get_types_from_msg(schema_text(kind, known), kind.name))
    return store


class Rosbags:
    """Messages of one type, written and read by rosbags."""

    def __init__(self, kind: MessageType, known: Mapping[str, MessageType], store: Typestore) -> None:
        self.kind = kind
        self.known = {**known, kind.name: kind}
        self.store = store

    def written(self, values: Mapping[str, Any]) -> bytes:
        return bytes(self.store.serialize_cdr(self._object(self.kind, values), self.kind.name))

    def read(self, data: bytes) -> dict[str, Any]:
        return plain(self.kind, self.known, self.store.deserialize_cdr(data, self.kind.name))

    def _object(self, kind: MessageType, values: Mapping[str, Any]) -> Any:
        made = {field.name: self._value(field, values[field.name]) for field in kind.fields}
        return self.store.types[kind.name](**made)

    def _value(self, field: MessageField, value: Any) -> Any:
        if field.type in DTYPES:
            return value if field.count is None else np.array(value, DTYPES[field.type])
        if field.type == "string":
            return value
        part = self.known[field.type]
        return (
            self._object(part, value) if field.count is None else [self._object(part, one) for one in value]
        )


def plain(kind: MessageType, known: Mapping[str, MessageType], message: Any) -> dict[str, Any]:
    """What a message of a library holds: mappings, lists, numbers and texts."""

    def of(field: MessageField, value: Any) -> Any:
        if field.type in known:
            part = known[field.type]
            several = field.count is not None
            return [plain(part, known, one) for one in value] if several else plain(part, known, value)
        return value.tolist() if isinstance(value, np.ndarray) else value

    return {field.name: of(field, getattr(message, field.name)) for field in kind.fields}


def numbers(type_name: str) -> st.SearchStrategy[Any]:
    if type_name == "bool":
        return st.booleans()
    if type_name in {"float32", "float64"}:
        return st.floats(width=int(type_name[-2:]), allow_nan=False) | st.just(float("nan"))
    limits = np.iinfo(DTYPES[type_name])
    return st.integers(int(limits.min), 127 if type_name == "byte" else int(limits.max))


def basic(type_name: str) -> st.SearchStrategy[Any]:
    return TEXTS if type_name == "string" else numbers(type_name)


@st.composite
def message_rows(
    draw: st.DrawFn, kind: MessageType, known: Mapping[str, MessageType], count: int
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """What `serialised` is given for some messages, and the values of each of them."""
    columns: dict[str, Any] = {}
    rows: list[dict[str, Any]] = [{} for _ in range(count)]
    for field in kind.fields:
        length = None if field.count is None else field.count or draw(st.integers(0, 3))
        given, values = draw(_field_rows(field, length, known, count))
        if isinstance(given, dict) and draw(st.booleans()):
            columns |= {f"{field.name}.{path}": value for path, value in given.items()}
        else:
            columns[field.name] = given
        for row, value in zip(rows, values, strict=True):
            row[field.name] = value
    return columns, rows


@st.composite
def _field_rows(
    draw: st.DrawFn, field: MessageField, length: int | None, known: Mapping[str, MessageType], count: int
) -> tuple[Any, list[Any]]:
    if field.type in known:
        parts = [draw(message_rows(known[field.type], known, count)) for _ in range(length or 0)]
        if length is None:
            return draw(message_rows(known[field.type], known, count))
        return [given for given, _ in parts], [[rows[n] for _, rows in parts] for n in range(count)]
    one = (
        basic(field.type) if length is None else st.lists(basic(field.type), min_size=length, max_size=length)
    )
    if field.type != "string" and draw(st.booleans()):
        values = [draw(one) for _ in range(count)]
        shape = (count,) if length is None else (count, length)
        return np.array(values, DTYPES[field.type]).reshape(shape), values
    value = draw(one)
    return value, [value] * count


@st.composite
def own_types(draw: st.DrawFn) -> tuple[MessageType, dict[str, MessageType]]:
    """A message type of any layout, with the types that it is made of."""
    known: dict[str, MessageType] = {}
    for number in range(draw(st.integers(1, 3))):
        name = f"own_msgs/msg/Part{number}"
        lines = []
        for place in range(draw(st.integers(1, 6))):
            type_name = draw(st.sampled_from([*DTYPES, "string", *(part.split("/")[-1] for part in known)]))
            lines.append(f"{type_name}{draw(st.sampled_from(['', '[]', '[1]', '[3]']))} field_{place}")
        known[name] = message_type(name, "\n".join(lines))
    kind = known.pop(name)
    return kind, {part.name: part for part in with_dependencies(kind, known)[1:]}
