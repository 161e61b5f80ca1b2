"""The binary interface of LV2 1.18: structures and callbacks.

References
----------
LV2 1.18 specification: lv2core, urid, options, worker, state, log.
"""

import ctypes
from ctypes import (
    CFUNCTYPE,
    POINTER,
    c_char_p,
    c_double,
    c_int,
    c_size_t,
    c_uint32,
    c_void_p,
)

_Handle = c_void_p
OK, UNKNOWN_ERROR, NO_PROPERTY = 0, 1, 5
STATE_IS_POD, STATE_IS_PORTABLE = 1, 2


class Feature(ctypes.Structure):
    _fields_ = (("uri", c_char_p), ("data", c_void_p))


class Descriptor(ctypes.Structure):
    _fields_ = (
        ("uri", c_char_p),
        (
            "instantiate",
            CFUNCTYPE(_Handle, c_void_p, c_double, c_char_p, POINTER(POINTER(Feature))),
        ),
        ("connect_port", CFUNCTYPE(None, _Handle, c_uint32, c_void_p)),
        ("activate", CFUNCTYPE(None, _Handle)),
        ("run", CFUNCTYPE(None, _Handle, c_uint32)),
        ("deactivate", CFUNCTYPE(None, _Handle)),
        ("cleanup", CFUNCTYPE(None, _Handle)),
        ("extension_data", CFUNCTYPE(c_void_p, c_char_p)),
    )


MapUri = CFUNCTYPE(c_uint32, c_void_p, c_char_p)
UnmapUri = CFUNCTYPE(c_void_p, c_void_p, c_uint32)


class UriMap(ctypes.Structure):
    _fields_ = (("handle", c_void_p), ("map", MapUri))


class UriUnmap(ctypes.Structure):
    _fields_ = (("handle", c_void_p), ("unmap", UnmapUri))


class Option(ctypes.Structure):
    _fields_ = (
        ("context", c_int),
        ("subject", c_uint32),
        ("key", c_uint32),
        ("size", c_uint32),
        ("type", c_uint32),
        ("value", c_void_p),
    )


Respond = CFUNCTYPE(c_int, c_void_p, c_uint32, c_void_p)


class Schedule(ctypes.Structure):
    _fields_ = (("handle", c_void_p), ("schedule_work", Respond))


class Worker(ctypes.Structure):
    _fields_ = (
        ("work", CFUNCTYPE(c_int, _Handle, Respond, c_void_p, c_uint32, c_void_p)),
        ("work_response", CFUNCTYPE(c_int, _Handle, c_uint32, c_void_p)),
        ("end_run", CFUNCTYPE(c_int, _Handle)),
    )


Retrieve = CFUNCTYPE(
    c_void_p, c_void_p, c_uint32, POINTER(c_size_t), POINTER(c_uint32), POINTER(c_uint32)
)


Store = CFUNCTYPE(c_int, c_void_p, c_uint32, c_void_p, c_size_t, c_uint32, c_uint32)


class StateInterface(ctypes.Structure):
    _fields_ = (
        (
            "save",
            CFUNCTYPE(c_int, _Handle, Store, c_void_p, c_uint32, POINTER(POINTER(Feature))),
        ),
        (
            "restore",
            CFUNCTYPE(c_int, _Handle, Retrieve, c_void_p, c_uint32, POINTER(POINTER(Feature))),
        ),
    )


TranslatePath = CFUNCTYPE(c_void_p, c_void_p, c_char_p)
FreePath = CFUNCTYPE(None, c_void_p, c_void_p)


class MapPath(ctypes.Structure):
    _fields_ = (
        ("handle", c_void_p),
        ("abstract_path", TranslatePath),
        ("absolute_path", TranslatePath),
    )


class FreePathFeature(ctypes.Structure):
    _fields_ = (("handle", c_void_p), ("free_path", FreePath))


# printf's variable arguments cannot be received here; its format alone is
LogPrint = CFUNCTYPE(c_int, c_void_p, c_uint32, c_char_p)
LogPrintList = CFUNCTYPE(c_int, c_void_p, c_uint32, c_char_p, c_void_p)


class Log(ctypes.Structure):
    _fields_ = (("handle", c_void_p), ("printf", LogPrint), ("vprintf", LogPrintList))
