"""nbdkit plugin (API version 2): a card that misbehaves on purpose. Started by fault-disk.ts, which documents the faults.

Parameters: medium=FILE  the bytes, a plain file that outlives this process
            size=BYTES   the capacity that is claimed
            control=FILE JSON {"faults": [...], "pace": {...}}; a new file under the same name takes effect with the
                         next request and starts all counting anew
            log=FILE     one line a request: op offset length outcome
Requests are served one after another, as a card does.
"""
import errno
import json
import os
import random
import time

import nbdkit

API_VERSION = 2
SECTOR = 512
settings = {}


class State:
    medium = log = -1
    size = 0
    stamp = None
    faults = []
    pace = {}
    due = {}
    counts = {}
    written = 0
    # What stood on the medium before each write that no flush has confirmed yet.
    unflushed = []


def config(key, value):
    settings[key] = value


def thread_model():
    return nbdkit.THREAD_MODEL_SERIALIZE_ALL_REQUESTS


def get_ready():
    State.size = int(settings["size"])
    State.medium = os.open(settings["medium"], os.O_RDWR | os.O_CLOEXEC)
    State.log = os.open(settings["log"], os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o600)
    reload_control()


def open(readonly):
    return 1


def get_size(h):
    return State.size


def can_write(h):
    return True


def can_flush(h):
    return True


def reload_control():
    """Takes up a new control file; True when there was one."""
    stat = os.stat(settings["control"])
    stamp = (stat.st_ino, stat.st_mtime_ns)
    if stamp == State.stamp:
        return False
    with __builtins_open(settings["control"]) as file:
        control = json.load(file)
    State.stamp, State.faults, State.pace = stamp, control["faults"], control["pace"]
    State.due, State.counts, State.written = {}, {"read": 0, "write": 0, "flush": 0}, 0
    for fault in State.faults:
        fault["hits"] = 0
    return True


def __builtins_open(path):
    # open() is a callback of the plugin in this module.
    return os.fdopen(os.open(path, os.O_RDONLY), "r")


def of_kind(*kinds):
    return [fault for fault in State.faults if fault["kind"] in kinds]


def overlap(fault, offset, length):
    """The part of a request that lies in the fault's range, as indices into the request; None when there is none."""
    start = max(offset, fault["offset"])
    end = min(offset + length, fault["offset"] + fault.get("lengthBytes", 1))
    return (start - offset, end - offset) if start < end else None


def is_due(fault, op, offset, length):
    """Whether a fault for the n-th request, or for requests that touch a place, concerns this one."""
    if fault["op"] != op:
        return False
    if "nth" in fault:
        count = State.counts[op]
        return count == fault["nth"] or (count > fault["nth"] and fault.get("times") == "always")
    return overlap(fault, offset, length) is not None


def answer(op, offset, length, outcome):
    os.write(State.log, f"{op} {offset} {length} {outcome}\n".encode())


def fail(op, offset, length):
    answer(op, offset, length, "EIO")
    nbdkit.set_error(errno.EIO)
    raise RuntimeError(f"injected {op} error at {offset}+{length}")


def stall(for_ms):
    """Sleeps, but wakes when a new control file arrives."""
    until = time.monotonic() + for_ms / 1000
    mark = settings["log"] + ".stalled"
    os.close(os.open(mark, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, 0o600))
    while time.monotonic() < until and not reload_control():
        time.sleep(0.01)
    os.unlink(mark)


def keep_pace(key, length, bytes_per_second):
    """One virtual clock a direction, so that rates hold over small and large requests alike."""
    State.due[key] = max(State.due.get(key, 0.0), time.monotonic()) + length / bytes_per_second
    time.sleep(max(0.0, State.due[key] - time.monotonic()))


def begin(op, offset, length, land):
    """What befalls a request before its data moves. `land(n)` stores the first n bytes of a write that is cut short."""
    reload_control()
    State.counts[op] += 1
    rate = State.pace.get(f"{op}BytesPerSecond")
    if rate:
        keep_pace(op, length, rate)
    for fault in of_kind("stall"):
        if fault["hits"] == 0 and is_due(fault, op, offset, length):
            fault["hits"] += 1
            stall(fault["forMs"])
            break
    for fault in of_kind("cliff"):
        if op == "write" and State.written >= fault["afterBytes"]:
            keep_pace("cliff", length, fault["bytesPerSecond"])
    for fault in of_kind("vanish"):
        if is_due(fault, op, offset, length):
            cut = fault["offset"] - offset if "offset" in fault else length // 2
            land(cut // SECTOR * SECTOR)
            if fault.get("losing") == "unflushed":
                lose_unflushed(fault["seed"])
            answer(op, offset, length, "vanished")
            os._exit(9)
    for fault in of_kind("fail-request", "fail-at"):
        if is_due(fault, op, offset, length):
            fail(op, offset, length)


def lose_unflushed(seed):
    """What a card keeps of unconfirmed writes is any part of them: here each is kept or lost by a coin, newest first."""
    coin = random.Random(seed)
    for place, old in reversed(State.unflushed):
        if coin.random() < 0.5:
            os.pwrite(State.medium, old, place)


def places(offset, length):
    """Where a request's bytes really are: pieces (start in the request, length, place on the medium or None)."""
    sizes = of_kind("wrap", "forget", "repeat-last-block")
    if not sizes:
        return [(0, length, offset)]
    kind, real = sizes[0]["kind"], sizes[0]["realBytes"]
    pieces, at = [], 0
    while at < length:
        where = offset + at
        if kind == "wrap":
            n = min(length - at, real - where % real)
            pieces.append((at, n, where % real))
        elif where < real:
            n = min(length - at, real - where)
            pieces.append((at, n, where))
        elif kind == "forget":
            n = length - at
            pieces.append((at, n, None))
        else:
            n = min(length - at, SECTOR - where % SECTOR)
            pieces.append((at, n, real - SECTOR + where % SECTOR))
        at += n
    return pieces


def fetch(buf, offset):
    for start, n, place in places(offset, len(buf)):
        view = memoryview(buf)[start : start + n]
        if place is None:
            view[:] = bytes(n)
        elif os.preadv(State.medium, [view], place) != n:
            raise RuntimeError("the medium is shorter than it should be")


def store(data, offset):
    for start, n, place in places(offset, len(data)):
        if place is not None:
            if of_kind("vanish"):
                State.unflushed.append((place, os.pread(State.medium, n, place)))
            os.pwrite(State.medium, data[start : start + n], place)


def pread(h, buf, offset, flags):
    length = len(buf)
    begin("read", offset, length, lambda n: None)
    fetch(buf, offset)
    for fault in of_kind("unstable"):
        hit = overlap(fault, offset, length)
        if hit:
            fault["hits"] += 1
            if fault["hits"] % fault["everyNth"] == 0:
                buf[hit[0]] ^= 1 << fault["bit"]
    answer("read", offset, length, "ok")


def pwrite(h, buf, offset, flags):
    length, data = len(buf), bytearray(buf)
    begin("write", offset, length, lambda n: store(data[:n], offset) if n > 0 else None)
    State.written += length
    for fault in of_kind("drop", "stale", "flip"):
        hit = overlap(fault, offset, length)
        if not hit:
            continue
        start, end = hit
        if fault["kind"] == "drop":
            data[start:end] = bytes(end - start)
        elif fault["kind"] == "flip":
            data[start] ^= 1 << fault["bit"]
        else:
            old = bytearray(length)
            fetch(old, offset)
            data[start:end] = old[start:end]
    store(data, offset)
    answer("write", offset, length, "ok")


def flush(h, flags):
    begin("flush", 0, 0, lambda n: None)
    State.unflushed = []
    answer("flush", 0, 0, "ok")
