"""Our objects as a VST3 plug-in sees them: called through their tables of functions."""

import ctypes

import pytest

from chainweigh.hosts import vst3_abi as abi
from chainweigh.hosts.vst3_com import HostObject, PluginObject, iid
from chainweigh.hosts.vst3_host import Application, ParameterChanges, Stream, text_of, utf16


@pytest.fixture
def application():
    ours = Application()
    yield PluginObject(ours.address, abi.HostApplication)
    ours.release()


def test_an_object_is_known_by_its_own_interface_and_the_common_one_alone(application):
    assert application.query(abi.Unknown).address == application.address
    assert application.query(abi.HostApplication).address == application.address
    assert application.query(abi.Stream) is None
    assert [application.release() for _ in range(2)] == [2, 1]
    name = abi.String128()
    application.get_name(ctypes.byref(name))
    assert text_of(name) == "chainweigh"


def test_a_message_carries_what_is_put_in_and_is_freed_with_its_last_owner(application):
    alive = len(HostObject._alive)
    wanted, found = abi.ClassId(*iid(abi.Message)), ctypes.c_void_p()
    application.create_instance(wanted, wanted, ctypes.byref(found))
    message = PluginObject(found.value, abi.Message)
    message.set_message_id(b"greeting")
    assert ctypes.string_at(message.get_message_id()) == b"greeting"
    content = PluginObject(message.get_attributes(), abi.AttributeList)
    content.set_int(b"whole", -(2**40))
    content.set_string(b"word", utf16("Größe"))
    content.set_binary(b"bytes", ctypes.create_string_buffer(b"a\0b", 3), 3)
    whole, word = ctypes.c_int64(), (ctypes.c_uint16 * 4)()
    where, n_bytes = ctypes.c_void_p(), ctypes.c_uint32()
    assert content.get_int(b"whole", ctypes.byref(whole)) == abi.OK
    assert content.get_string(b"word", word, ctypes.sizeof(word)) == abi.OK
    assert content.get_binary(b"bytes", ctypes.byref(where), ctypes.byref(n_bytes)) == abi.OK
    assert (whole.value, text_of(word)) == (-(2**40), "Grö")  # as much as there is room for
    assert ctypes.string_at(where.value, n_bytes.value) == b"a\0b"
    assert content.get_int(b"word", ctypes.byref(whole)) != abi.OK
    assert content.get_float(b"absent", ctypes.byref(ctypes.c_double())) != abi.OK
    assert message.release() == 0
    assert len(HostObject._alive) == alive


def test_an_object_nobody_knows_is_not_made(application):
    wanted, found = abi.ClassId(*iid(abi.Component)), ctypes.c_void_p(1)
    status = application.create_instance(wanted, wanted, ctypes.byref(found))
    assert (status, found.value) == (abi.NO_INTERFACE, None)


def test_a_stream_is_read_written_and_wound():
    ours = Stream(b"0123456789")
    stream = PluginObject(ours.address, abi.Stream)
    place, count, now = ctypes.create_string_buffer(4), ctypes.c_int32(), ctypes.c_int64()
    assert stream.seek(-2, 2, ctypes.byref(now)) == abi.OK
    assert now.value == 8
    stream.read(place, 4, ctypes.byref(count))
    assert (place.raw[:2], count.value) == (b"89", 2)
    stream.seek(2, 0, None)
    stream.write(b"ab", 2, None)
    stream.seek(1, 1, None)
    stream.tell(ctypes.byref(now))
    assert (now.value, ours.content) == (5, b"01ab456789")
    assert stream.seek(0, 7, None) == abi.INVALID_ARGUMENT
    ours.release()


def test_changes_give_each_value_at_the_first_frame_and_take_what_is_told():
    ours = ParameterChanges()
    ours.become({7: 0.25, 9: 1.0})
    changes = PluginObject(ours.address, abi.ParameterChanges)
    frame, value, index = ctypes.c_int32(-1), ctypes.c_double(), ctypes.c_int32()
    found = {}
    for number in range(changes.count_queues()):
        queue = PluginObject(changes.get_queue(number), abi.ParameterQueue)
        assert queue.count_points() == 1
        queue.get_point(0, ctypes.byref(frame), ctypes.byref(value))
        found[queue.get_parameter_id()] = (frame.value, value.value)
        assert queue.get_point(1, ctypes.byref(frame), ctypes.byref(value)) != abi.OK
    assert found == {7: (0, 0.25), 9: (0, 1.0)}
    assert changes.get_queue(2) is None
    told = changes.add_queue(ctypes.byref(ctypes.c_uint32(11)), ctypes.byref(index))
    assert PluginObject(told, abi.ParameterQueue).add_point(3, 0.5, None) == abi.OK
    assert (index.value, changes.count_queues()) == (2, 3)
    ours.become({})
    ours.release()
