"""The C structures of CLAP 1.x that a host of audio effects needs.

References
----------
CLAP 1.2 headers: entry.h, factory/plugin-factory.h, plugin.h, host.h, process.h, events.h,
ext/params.h, ext/audio-ports.h, ext/latency.h, ext/tail.h, ext/render.h, ext/thread-check.h,
ext/log.h, ext/state.h, stream.h.
"""

import ctypes
from ctypes import (
    CFUNCTYPE,
    POINTER,
    Structure,
    c_bool,
    c_char,
    c_char_p,
    c_double,
    c_float,
    c_int32,
    c_int64,
    c_uint16,
    c_uint32,
    c_uint64,
    c_void_p,
)

PLUGIN_FACTORY = b"clap.plugin-factory"
PARAMS, AUDIO_PORTS = b"clap.params", b"clap.audio-ports"
LATENCY, TAIL, RENDER = b"clap.latency", b"clap.tail", b"clap.render"
STATE = b"clap.state"
THREAD_CHECK, LOG = b"clap.thread-check", b"clap.log"
OFFLINE = 1  # of clap.render
MAIN_PORT = 1
PARAM_VALUE_EVENT = 5
STEPPED, IS_HIDDEN, IS_READ_ONLY, IS_BYPASS = 1 << 0, 1 << 2, 1 << 3, 1 << 4
ENDLESS_TAIL = 2**31 - 1
PROCESS_ERROR = 0


class Version(Structure):
    _fields_ = [("major", c_uint32), ("minor", c_uint32), ("revision", c_uint32)]


class Entry(Structure):
    _fields_ = [
        ("version", Version),
        ("init", CFUNCTYPE(c_bool, c_char_p)),
        ("deinit", CFUNCTYPE(None)),
        ("get_factory", CFUNCTYPE(c_void_p, c_char_p)),
    ]


class Descriptor(Structure):
    _fields_ = [
        ("version", Version),
        ("id", c_char_p),
        ("name", c_char_p),
        ("vendor", c_char_p),
        ("url", c_char_p),
        ("manual_url", c_char_p),
        ("support_url", c_char_p),
        ("plugin_version", c_char_p),
        ("description", c_char_p),
        ("features", POINTER(c_char_p)),
    ]


class Factory(Structure):
    _fields_ = [
        ("count", CFUNCTYPE(c_uint32, c_void_p)),
        ("descriptor", CFUNCTYPE(POINTER(Descriptor), c_void_p, c_uint32)),
        ("create", CFUNCTYPE(c_void_p, c_void_p, c_void_p, c_char_p)),
    ]


HostCall = CFUNCTYPE(None, c_void_p)
HostExtension = CFUNCTYPE(c_void_p, c_void_p, c_char_p)
HostQuestion = CFUNCTYPE(c_bool, c_void_p)
HostLog = CFUNCTYPE(None, c_void_p, c_int32, c_char_p)


class Host(Structure):
    _fields_ = [
        ("version", Version),
        ("data", c_void_p),
        ("name", c_char_p),
        ("vendor", c_char_p),
        ("url", c_char_p),
        ("host_version", c_char_p),
        ("get_extension", HostExtension),
        ("request_restart", HostCall),
        ("request_process", HostCall),
        ("request_callback", HostCall),
    ]


class HostThreadCheck(Structure):
    _fields_ = [("is_main_thread", HostQuestion), ("is_audio_thread", HostQuestion)]


class HostLogging(Structure):
    _fields_ = [("log", HostLog)]


class HostChange(Structure):
    """clap.latency, clap.tail and clap.state alike: told that the thing has changed."""

    _fields_ = [("changed", HostCall)]


HostFlags = CFUNCTYPE(None, c_void_p, c_uint32)
HostClear = CFUNCTYPE(None, c_void_p, c_uint32, c_uint32)
HostFlagQuestion = CFUNCTYPE(c_bool, c_void_p, c_uint32)


class HostParams(Structure):
    _fields_ = [("rescan", HostFlags), ("clear", HostClear), ("request_flush", HostCall)]


class HostAudioPorts(Structure):
    _fields_ = [("is_rescan_flag_supported", HostFlagQuestion), ("rescan", HostFlags)]


class AudioBuffer(Structure):
    _fields_ = [
        ("data32", POINTER(POINTER(c_float))),
        ("data64", c_void_p),
        ("n_channels", c_uint32),
        ("latency", c_uint32),
        ("constant_mask", c_uint64),
    ]


class EventHeader(Structure):
    _fields_ = [
        ("size", c_uint32),
        ("time", c_uint32),
        ("space_id", c_uint16),
        ("type", c_uint16),
        ("flags", c_uint32),
    ]


class ParamValueEvent(Structure):
    _fields_ = [
        ("header", EventHeader),
        ("param_id", c_uint32),
        ("cookie", c_void_p),
        ("note_id", c_int32),
        ("port_index", ctypes.c_int16),
        ("channel", ctypes.c_int16),
        ("key", ctypes.c_int16),
        ("value", c_double),
    ]


EventCount = CFUNCTYPE(c_uint32, c_void_p)
EventAt = CFUNCTYPE(c_void_p, c_void_p, c_uint32)
EventPush = CFUNCTYPE(c_bool, c_void_p, c_void_p)


class InputEvents(Structure):
    _fields_ = [("context", c_void_p), ("size", EventCount), ("get", EventAt)]


class OutputEvents(Structure):
    _fields_ = [("context", c_void_p), ("try_push", EventPush)]


class Process(Structure):
    _fields_ = [
        ("steady_time", c_int64),
        ("n_frames", c_uint32),
        ("transport", c_void_p),
        ("inputs", POINTER(AudioBuffer)),
        ("outputs", POINTER(AudioBuffer)),
        ("n_inputs", c_uint32),
        ("n_outputs", c_uint32),
        ("in_events", POINTER(InputEvents)),
        ("out_events", POINTER(OutputEvents)),
    ]


_Yes = CFUNCTYPE(c_bool, c_void_p)
_Do = CFUNCTYPE(None, c_void_p)


class Plugin(Structure):
    _fields_ = [
        ("descriptor", POINTER(Descriptor)),
        ("data", c_void_p),
        ("init", _Yes),
        ("destroy", _Do),
        ("activate", CFUNCTYPE(c_bool, c_void_p, c_double, c_uint32, c_uint32)),
        ("deactivate", _Do),
        ("start_processing", _Yes),
        ("stop_processing", _Do),
        ("reset", _Do),
        ("process", CFUNCTYPE(c_int32, c_void_p, POINTER(Process))),
        ("get_extension", CFUNCTYPE(c_void_p, c_void_p, c_char_p)),
        ("on_main_thread", _Do),
    ]


class ParamInfo(Structure):
    _fields_ = [
        ("id", c_uint32),
        ("flags", c_uint32),
        ("cookie", c_void_p),
        ("name", c_char * 256),
        ("module", c_char * 1024),
        ("minimum", c_double),
        ("maximum", c_double),
        ("default", c_double),
    ]


class Params(Structure):
    _fields_ = [
        ("count", CFUNCTYPE(c_uint32, c_void_p)),
        ("get_info", CFUNCTYPE(c_bool, c_void_p, c_uint32, POINTER(ParamInfo))),
        ("get_value", CFUNCTYPE(c_bool, c_void_p, c_uint32, POINTER(c_double))),
        (
            "value_to_text",
            CFUNCTYPE(c_bool, c_void_p, c_uint32, c_double, c_char_p, c_uint32),
        ),
        (
            "text_to_value",
            CFUNCTYPE(c_bool, c_void_p, c_uint32, c_char_p, POINTER(c_double)),
        ),
        (
            "flush",
            CFUNCTYPE(None, c_void_p, POINTER(InputEvents), POINTER(OutputEvents)),
        ),
    ]


class AudioPortInfo(Structure):
    _fields_ = [
        ("id", c_uint32),
        ("name", c_char * 256),
        ("flags", c_uint32),
        ("n_channels", c_uint32),
        ("port_type", c_char_p),
        ("in_place_pair", c_uint32),
    ]


class AudioPorts(Structure):
    _fields_ = [
        ("count", CFUNCTYPE(c_uint32, c_void_p, c_bool)),
        ("get", CFUNCTYPE(c_bool, c_void_p, c_uint32, c_bool, POINTER(AudioPortInfo))),
    ]


class Frames(Structure):
    """Both clap.latency and clap.tail: one question, answered in frames."""

    _fields_ = [("get", CFUNCTYPE(c_uint32, c_void_p))]


StreamCall = CFUNCTYPE(c_int64, c_void_p, c_void_p, c_uint64)


class Stream(Structure):
    """Both clap_istream and clap_ostream: `call` reads or writes."""

    _fields_ = [("context", c_void_p), ("call", StreamCall)]


class State(Structure):
    _fields_ = [
        ("save", CFUNCTYPE(c_bool, c_void_p, POINTER(Stream))),
        ("load", CFUNCTYPE(c_bool, c_void_p, POINTER(Stream))),
    ]


class Render(Structure):
    _fields_ = [
        ("has_hard_realtime_requirement", _Yes),
        ("set", CFUNCTYPE(c_bool, c_void_p, c_int32)),
    ]
