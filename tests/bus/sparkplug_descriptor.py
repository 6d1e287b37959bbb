"""An independent reader and writer of Sparkplug B payloads: the `protobuf` package with a descriptor made here.

The field numbers, names and types are those that the Sparkplug 3.0.0 specification publishes in its chapter "Payloads"
(proto2). Left out: Template, DataSet, metadata, the extension ranges, none of which this program sends.
"""

from __future__ import annotations

from typing import Any

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory

Field = descriptor_pb2.FieldDescriptorProto
TYPES = {
    "uint32": Field.TYPE_UINT32,
    "uint64": Field.TYPE_UINT64,
    "float": Field.TYPE_FLOAT,
    "double": Field.TYPE_DOUBLE,
    "bool": Field.TYPE_BOOL,
    "string": Field.TYPE_STRING,
    "bytes": Field.TYPE_BYTES,
}
VALUES = ("int_value uint32", "long_value uint64", "float_value float", "double_value double")
VALUES += ("boolean_value bool", "string_value string")
# message -> lines of `name type number [repeated]`; names with _value are of the oneof `value`.
MESSAGES = {
    "PropertyValue": [
        "type uint32 1",
        "is_null bool 2",
        *(f"{line} {number}" for number, line in enumerate(VALUES, 3)),
    ],
    "PropertySet": ["keys string 1 repeated", "values PropertyValue 2 repeated"],
    "Metric": [
        "name string 1",
        "alias uint64 2",
        "timestamp uint64 3",
        "datatype uint32 4",
        "is_historical bool 5",
        "is_transient bool 6",
        "is_null bool 7",
        "properties PropertySet 9",
        *(f"{line} {number}" for number, line in enumerate((*VALUES, "bytes_value bytes"), 10)),
    ],
    "Payload": [
        "timestamp uint64 1",
        "metrics Metric 2 repeated",
        "seq uint64 3",
        "uuid string 4",
        "body bytes 5",
    ],
}


def _payload_class() -> Any:
    file = descriptor_pb2.FileDescriptorProto(
        name="sparkplug_of_the_tests.proto", package="spb", syntax="proto2"
    )
    for name, lines in MESSAGES.items():
        message = file.message_type.add(name=name)
        if any("_value" in line for line in lines):
            message.oneof_decl.add(name="value")
        for line in lines:
            key, kind, number, *more = line.split()
            one = message.field.add(name=key, number=int(number))
            one.label = Field.LABEL_REPEATED if more else Field.LABEL_OPTIONAL
            if kind in TYPES:
                one.type = TYPES[kind]
            else:
                one.type, one.type_name = Field.TYPE_MESSAGE, f".spb.{kind}"
            if key.endswith("_value"):
                one.oneof_index = 0
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return message_factory.GetMessageClass(pool.FindMessageTypeByName("spb.Payload"))


IndependentPayload = _payload_class()
