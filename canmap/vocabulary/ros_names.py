"""What ROS 2 allows as a name: of a topic, a frame, a field and a type of a message.

Topics: the ROS 2 design article "Topic and Service name mapping to DDS", and
`rmw/validate_full_topic_name.h`, whose longest name this is. Fields, constants, types and packages: the
design article "Interface definition using .msg / .srv / .action files", and the patterns of
`rosidl_adapter/parser.py`.
"""

from __future__ import annotations

import re
import unicodedata

LONGEST_TOPIC = 247  # characters of a full name, its leading / among them
_PART = re.compile(r"[A-Za-z][A-Za-z0-9]*(_[A-Za-z0-9]+)*_?", re.ASCII)
# Topics that ROS 2, or a convention of it, gives a meaning of their own, without their leading /.
KEPT_TOPICS = ("clock", "diagnostics", "parameter_events", "rosout", "tf", "tf_static")
DEMANDS = "demands/"  # what demands that were seen are published below, where no controller listens
_COMMANDS = {
    "cmd",
    "cmds",
    "command",
    "commands",
}  # words in the names of topics by which controllers are told
_FRAME = re.compile(r"[A-Za-z0-9_.-]+(/[A-Za-z0-9_.-]+)*", re.ASCII)
_LONGEST_FRAME = 255

# Words that the generated code cannot have for a field: ISO C++20, lex.key; OMG IDL 4.2, table 7-6, as far as
# they are lower case; macros of the C library and the compiler, and a method of every Python class.
_CPP = """
alignas alignof and and_eq asm auto bitand bitor bool break case catch char char8_t char16_t char32_t
class co_await co_return co_yield compl concept const const_cast consteval constexpr constinit continue
decltype default delete do double dynamic_cast else enum explicit export extern false float for friend
goto if inline int long mutable namespace new noexcept not not_eq nullptr operator or or_eq private
protected public register reinterpret_cast requires return short signed sizeof static static_assert
static_cast struct switch template this thread_local throw true try typedef typeid typename union
unsigned using virtual void volatile wchar_t while xor xor_eq
"""
_IDL = """
abstract alias any attribute bitfield bitmask bitset boolean component connector consumes context custom
emits eventtype exception factory finder fixed getraises home import in inout interface int8 int16 int32
int64 local manages map mirrorport module multiple native object octet oneway out port porttype
primarykey provides publishes raises readonly sequence setraises string supports truncatable typeprefix
uint8 uint16 uint32 uint64 uses valuetype wchar wstring
"""
_OTHERS = "errno linux unix stdin stdout stderr assert offsetof major minor get_fields_and_field_types"
_RESERVED = frozenset(f"{_CPP} {_IDL} {_OTHERS}".split())


def topic_fault(name: str) -> str:
    """Return why a topic or a namespace, with or without its leading /, cannot have a name; "" if it can."""
    if len(name.removeprefix("/")) + 1 > LONGEST_TOPIC:
        return f"is longer than {LONGEST_TOPIC} characters"
    if all(_PART.fullmatch(part) for part in name.removeprefix("/").split("/")):
        return ""
    return "is not made of parts such as wheel_speeds (letters, digits, single _), with a / between them"


def is_for_commands(name: str) -> bool:
    """Tell whether a topic has a name by which a controller takes commands: cmd_vel, ackermann_cmd."""
    return not _COMMANDS.isdisjoint(re.split("[/_]", name.lower()))


def is_frame(name: str) -> bool:
    """Tell whether a coordinate frame can be called that: it does not begin with / (tf2), nor hold blanks."""
    return len(name) <= _LONGEST_FRAME and _FRAME.fullmatch(name) is not None


def is_reserved_word(name: str) -> bool:
    """Tell whether the code that is generated of a message type could have no field of this name."""
    return name in _RESERVED


def as_name(text: str) -> str:
    """Return a text, such as a vehicle's name, as a name in lower case; "" where it has no letter a to z."""
    letters = "".join(one for one in unicodedata.normalize("NFKD", text) if not unicodedata.combining(one))
    return "_".join(re.findall("[a-z0-9]+", letters.lower())).lstrip("0123456789_")


def file_name(type_name: str) -> str:
    """Return what the generators call the files of a message type: LiftArm is lift_arm.

    Source: `convert_camel_case_to_lower_case_underscore` of `rosidl_pycommon`.
    """
    text = re.sub("(.)([A-Z][a-z]+)", r"\1_\2", type_name)
    return re.sub("([a-z0-9])([A-Z])", r"\1_\2", text).lower()


def message_fields(field: str) -> tuple[str, str, str, str]:
    """Return what a message calls a record's field: its value, whether it is known, its age, its flag."""
    return field, f"{field}_valid", f"{field}_age", f"{field}_out_of_range"


def constant_name(field: str, state: str) -> str:
    """Return what the number of a state of a field is called in a message type: GEAR_REVERSE."""
    return f"{field}_{state}".upper()
