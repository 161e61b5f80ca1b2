"""The interfaces and structures of VST 3 that a host of audio effects needs.

An interface is a table of functions, each called with the object first; the tables below inherit
as the interfaces do. The layouts are those of 64-bit systems other than Windows.

References
----------
VST 3.7 API: ipluginbase.h, ibstream.h, ivstcomponent.h, ivstaudioprocessor.h,
ivsteditcontroller.h, ivstparameterchanges.h, ivstevents.h, ivsthostapplication.h, ivstmessage.h,
ivstattributes.h, ivstprocesscontext.h, vstspeaker.h.
"""

from ctypes import (
    CFUNCTYPE,
    POINTER,
    Structure,
    c_char,
    c_char_p,
    c_double,
    c_float,
    c_int32,
    c_int64,
    c_uint8,
    c_uint16,
    c_uint32,
    c_uint64,
    c_void_p,
)
from typing import Any, ClassVar

OK, FALSE, INVALID_ARGUMENT, NO_INTERFACE = 0, 1, 2, -1
AUDIO, EVENT = 0, 1  # media types
INPUT, OUTPUT = 0, 1
MAIN = 0  # bus type
DEFAULT_ACTIVE = 1
MONO, STEREO = 1 << 19, 0b11  # speaker arrangements
OFFLINE, SINGLE_PRECISION = 2, 0
ENDLESS_TAIL = 2**32 - 1
IS_READ_ONLY, IS_LIST, IS_HIDDEN, IS_PROGRAM, IS_BYPASS = 1 << 1, 1 << 3, 1 << 4, 1 << 15, 1 << 16
RELOAD, IO_CHANGED, LATENCY_CHANGED = 1 << 0, 1 << 1, 1 << 3  # reasons to be restarted
PLAYING, CONTINUOUS_TIME_VALID = 1 << 1, 1 << 17
AUDIO_MODULE = b"Audio Module Class"

ClassId = c_uint8 * 16
String128 = c_uint16 * 128


def _call(*arguments: Any, result: Any = c_int32) -> Any:
    return CFUNCTYPE(result, c_void_p, *arguments)


class Unknown(Structure):
    """What every interface starts with."""

    iid: ClassVar[str] = "00000000 00000000 C0000000 00000046"
    _fields_ = [
        ("query_interface", _call(c_void_p, POINTER(c_void_p))),
        ("add_ref", _call(result=c_uint32)),
        ("release", _call(result=c_uint32)),
    ]


class FactoryInfo(Structure):
    _fields_ = [
        ("vendor", c_char * 64),
        ("url", c_char * 256),
        ("email", c_char * 128),
        ("flags", c_int32),
    ]


class ClassInfo(Structure):
    _fields_ = [
        ("class_id", ClassId),
        ("cardinality", c_int32),
        ("category", c_char * 32),
        ("name", c_char * 64),
    ]


class ClassInfo2(ClassInfo):
    _fields_ = [
        ("flags", c_uint32),
        ("sub_categories", c_char * 128),
        ("vendor", c_char * 64),
        ("version", c_char * 64),
        ("sdk_version", c_char * 64),
    ]


class ClassInfoUtf16(Structure):
    _fields_ = [
        ("class_id", ClassId),
        ("cardinality", c_int32),
        ("category", c_char * 32),
        ("name", c_uint16 * 64),
        ("flags", c_uint32),
        ("sub_categories", c_char * 128),
        ("vendor", c_uint16 * 64),
        ("version", c_uint16 * 64),
        ("sdk_version", c_uint16 * 64),
    ]


class Factory(Unknown):
    iid = "7A4D811C 52114A1F AED9D2EE 0B43BF9F"
    _fields_ = [
        ("get_info", _call(POINTER(FactoryInfo))),
        ("count_classes", _call()),
        ("get_class", _call(c_int32, POINTER(ClassInfo))),
        ("create_instance", _call(c_void_p, c_void_p, POINTER(c_void_p))),
    ]


class Factory2(Factory):
    iid = "0007B650 F24B4C0B A464EDB9 F00B2ABB"
    _fields_ = [("get_class_2", _call(c_int32, POINTER(ClassInfo2)))]


class Factory3(Factory2):
    iid = "4555A2AB C1234E57 9B122910 36878931"
    _fields_ = [
        ("get_class_utf16", _call(c_int32, POINTER(ClassInfoUtf16))),
        ("set_host_context", _call(c_void_p)),
    ]


class PluginBase(Unknown):
    iid = "22888DDB 156E45AE 8358B348 08190625"
    _fields_ = [("initialize", _call(c_void_p)), ("terminate", _call())]


class BusInfo(Structure):
    _fields_ = [
        ("media_type", c_int32),
        ("direction", c_int32),
        ("n_channels", c_int32),
        ("name", String128),
        ("bus_type", c_int32),
        ("flags", c_uint32),
    ]


class Component(PluginBase):
    iid = "E831FF31 F2D54301 928EBBEE 25697802"
    _fields_ = [
        ("get_controller_class", _call(POINTER(ClassId))),
        ("set_io_mode", _call(c_int32)),
        ("count_buses", _call(c_int32, c_int32)),
        ("get_bus", _call(c_int32, c_int32, c_int32, POINTER(BusInfo))),
        ("get_routing", _call(c_void_p, c_void_p)),
        ("activate_bus", _call(c_int32, c_int32, c_int32, c_uint8)),
        ("set_active", _call(c_uint8)),
        ("set_state", _call(c_void_p)),
        ("get_state", _call(c_void_p)),
    ]


class ProcessSetup(Structure):
    _fields_ = [
        ("mode", c_int32),
        ("sample_size", c_int32),
        ("max_block_frames", c_int32),
        ("sample_rate_hz", c_double),
    ]


class BusBuffers(Structure):
    _fields_ = [
        ("n_channels", c_int32),
        ("silence_flags", c_uint64),
        ("channels", POINTER(POINTER(c_float))),
    ]


class ProcessContext(Structure):
    _fields_ = [
        ("state", c_uint32),
        ("sample_rate_hz", c_double),
        ("project_frames", c_int64),
        ("system_time_ns", c_int64),
        ("continuous_frames", c_int64),
        ("project_quarters", c_double),
        ("bar_quarters", c_double),
        ("cycle_start_quarters", c_double),
        ("cycle_end_quarters", c_double),
        ("tempo_bpm", c_double),
        ("beats_per_bar", c_int32),
        ("beat_unit", c_int32),
        ("chord", c_uint8 * 4),
        ("smpte_offset", c_int32),
        ("frame_rate", c_uint32 * 2),
        ("frames_to_next_clock", c_int32),
    ]


class ProcessData(Structure):
    _fields_ = [
        ("mode", c_int32),
        ("sample_size", c_int32),
        ("n_frames", c_int32),
        ("n_inputs", c_int32),
        ("n_outputs", c_int32),
        ("inputs", POINTER(BusBuffers)),
        ("outputs", POINTER(BusBuffers)),
        ("input_changes", c_void_p),
        ("output_changes", c_void_p),
        ("input_events", c_void_p),
        ("output_events", c_void_p),
        ("context", POINTER(ProcessContext)),
    ]


class AudioProcessor(Unknown):
    iid = "42043F99 B7DA453C A569E79D 9AAEC33D"
    _fields_ = [
        (
            "set_bus_arrangements",
            _call(POINTER(c_uint64), c_int32, POINTER(c_uint64), c_int32),
        ),
        ("get_bus_arrangement", _call(c_int32, c_int32, POINTER(c_uint64))),
        ("can_process_sample_size", _call(c_int32)),
        ("get_latency_frames", _call(result=c_uint32)),
        ("setup_processing", _call(POINTER(ProcessSetup))),
        ("set_processing", _call(c_uint8)),
        ("process", _call(POINTER(ProcessData))),
        ("get_tail_frames", _call(result=c_uint32)),
    ]


class ParameterInfo(Structure):
    _fields_ = [
        ("id", c_uint32),
        ("title", String128),
        ("short_title", String128),
        ("units", String128),
        ("n_steps", c_int32),
        ("default", c_double),
        ("unit_id", c_int32),
        ("flags", c_int32),
    ]


class EditController(PluginBase):
    iid = "DCD7BBE3 7742448D A874AACC 979C759E"
    _fields_ = [
        ("set_component_state", _call(c_void_p)),
        ("set_state", _call(c_void_p)),
        ("get_state", _call(c_void_p)),
        ("count_parameters", _call()),
        ("get_parameter", _call(c_int32, POINTER(ParameterInfo))),
        ("get_text", _call(c_uint32, c_double, POINTER(String128))),
        ("get_value_of_text", _call(c_uint32, c_void_p, POINTER(c_double))),
        ("to_plain", _call(c_uint32, c_double, result=c_double)),
        ("to_normalised", _call(c_uint32, c_double, result=c_double)),
        ("get_normalised", _call(c_uint32, result=c_double)),
        ("set_normalised", _call(c_uint32, c_double)),
        ("set_component_handler", _call(c_void_p)),
        ("create_view", _call(c_char_p, result=c_void_p)),
    ]


class ConnectionPoint(Unknown):
    iid = "70A4156F 6E6E4026 989148BF AA60D8D1"
    _fields_ = [
        ("connect", _call(c_void_p)),
        ("disconnect", _call(c_void_p)),
        ("notify", _call(c_void_p)),
    ]


class HostApplication(Unknown):
    iid = "58E595CC DB2D4969 8B6AAF8C 36A664E5"
    _fields_ = [
        ("get_name", _call(POINTER(String128))),
        ("create_instance", _call(POINTER(ClassId), POINTER(ClassId), POINTER(c_void_p))),
    ]


class ComponentHandler(Unknown):
    iid = "93A0BEA3 0BD045DB 8E890B0C C1E46AC6"
    _fields_ = [
        ("begin_edit", _call(c_uint32)),
        ("perform_edit", _call(c_uint32, c_double)),
        ("end_edit", _call(c_uint32)),
        ("restart_component", _call(c_int32)),
    ]


class Stream(Unknown):
    iid = "C3BF6EA2 30994752 9B6BF990 1EE33E9B"
    _fields_ = [
        ("read", _call(c_void_p, c_int32, POINTER(c_int32))),
        ("write", _call(c_void_p, c_int32, POINTER(c_int32))),
        ("seek", _call(c_int64, c_int32, POINTER(c_int64))),
        ("tell", _call(POINTER(c_int64))),
    ]


class ParameterQueue(Unknown):
    iid = "01263A18 ED074F6F 98C9D356 4686F9BA"
    _fields_ = [
        ("get_parameter_id", _call(result=c_uint32)),
        ("count_points", _call()),
        ("get_point", _call(c_int32, POINTER(c_int32), POINTER(c_double))),
        ("add_point", _call(c_int32, c_double, POINTER(c_int32))),
    ]


class ParameterChanges(Unknown):
    iid = "A4779663 0BB64A56 B44384A8 466FEB9D"
    _fields_ = [
        ("count_queues", _call()),
        ("get_queue", _call(c_int32, result=c_void_p)),
        ("add_queue", _call(POINTER(c_uint32), POINTER(c_int32), result=c_void_p)),
    ]


class EventList(Unknown):
    iid = "3A2C4214 346349FE B2C4F397 B9695A44"
    _fields_ = [
        ("count_events", _call()),
        ("get_event", _call(c_int32, c_void_p)),
        ("add_event", _call(c_void_p)),
    ]


class AttributeList(Unknown):
    iid = "1E5F0AEB CC7F4533 A2544011 38AD5EE4"
    _fields_ = [
        ("set_int", _call(c_char_p, c_int64)),
        ("get_int", _call(c_char_p, POINTER(c_int64))),
        ("set_float", _call(c_char_p, c_double)),
        ("get_float", _call(c_char_p, POINTER(c_double))),
        ("set_string", _call(c_char_p, POINTER(c_uint16))),
        ("get_string", _call(c_char_p, c_void_p, c_uint32)),
        ("set_binary", _call(c_char_p, c_void_p, c_uint32)),
        ("get_binary", _call(c_char_p, POINTER(c_void_p), POINTER(c_uint32))),
    ]


class Message(Unknown):
    iid = "936F033B C6C047DB BB0882F8 13C1E613"
    _fields_ = [
        ("get_message_id", _call(result=c_void_p)),
        ("set_message_id", _call(c_char_p, result=None)),
        ("get_attributes", _call(result=c_void_p)),
    ]
