"""Files of all kinds: packed, in containers, damaged, hostile."""

import gzip
import io
import struct
import zipfile

import pytest

from maintenance.gcode import GcodeError
from maintenance.gcode import source as sources

JOB = b"M83\nG1 X10 E2 F600\nG1 X20 E3\n"


def container(members: dict[str, bytes], packing: int = zipfile.ZIP_DEFLATED) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", packing) as created:
        for name, content in members.items():
            created.writestr(name, content)
    return packed.getvalue()


def locked(name: str = "job.gcode") -> bytes:
    """A member that is marked as encrypted."""
    created = bytearray(container({name: JOB}))
    for signature, flags in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        created[created.find(signature) + flags] |= 1
    return bytes(created)


def long_listing() -> bytes:
    """A container whose list of contents takes 2 MiB."""
    created = bytearray(container({"job.gcode": JOB}))
    at = created.rfind(b"PK\x05\x06")
    created[at + 12 : at + 20] = struct.pack("<LL", 2**21, 0)
    return b"PK\x03\x04" + bytes(2**21) + bytes(created)


def test_packed_jobs_have_the_same_facts(facts_of):
    plain = facts_of(JOB)
    three = {"[Content_Types].xml": b"<Types/>", "3D/model.model": b"<model/>", "plates/1.gcode": JOB}
    for packed, packing, member in (
        (gzip.compress(JOB), "gzip", ""),
        (gzip.compress(JOB[:10]) + gzip.compress(JOB[10:]), "gzip", ""),
        (container(three), "ZIP", "plates/1.gcode"),
        (container({"job.GCODE": JOB}, zipfile.ZIP_STORED), "ZIP", "job.GCODE"),
    ):
        facts = facts_of(packed)
        assert (facts.packing, facts.member) == (packing, member)
        assert facts.uses == plain.uses and facts.bytes == plain.bytes


@pytest.mark.parametrize("packing", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_packings_that_unpack_without_a_bound_are_refused(facts_of, packing):
    with pytest.raises(GcodeError) as refusal:
        facts_of(container({"job.gcode": JOB}, packing))
    assert refusal.value.statement.code == "job_file.other_packing"
    # The damaged ones, too: LZMA has an error of its own.
    broken = bytearray(container({"job.gcode": JOB}, packing))
    broken[50:60] = bytes(10)
    with pytest.raises(GcodeError):
        facts_of(bytes(broken))


def test_long_names_are_cut_in_refusals(facts_of):
    long = "a" * 60_000 + ".gcode"
    for job, member in (
        (container({long: JOB, "b" + long: JOB}), ""),
        (container({long: JOB}), "c" * 60_000),
        (container({long: JOB}, zipfile.ZIP_BZIP2), ""),
        (locked(long), ""),
    ):
        with pytest.raises(GcodeError) as refusal:
            facts_of(job, member=member)
        assert len(str(refusal.value)) < 1000


def test_a_byte_order_mark_is_passed_over(facts_of):
    assert facts_of(b"\xef\xbb\xbfG1 X1 E1").filament_mm == 1


def test_one_job_of_a_container_is_chosen(facts_of):
    packed = container({"a.gcode": JOB, "b.gcode": JOB * 2})
    with pytest.raises(GcodeError, match=r"2 jobs\. Choose one: a\.gcode, b\.gcode"):
        facts_of(packed)
    assert facts_of(packed, member="b.gcode").filament_mm == 10
    with pytest.raises(GcodeError, match=r"no c\.gcode"):
        facts_of(packed, member="c.gcode")


@pytest.mark.parametrize(
    ("job", "says"),
    [
        (b"", "is empty"),
        (b"\n\n; nothing\n", "no command of G-code"),
        ("G1 X1 E1\n".encode("utf-16"), "UTF-16"),
        ("G1 X1 E1\n".encode("utf-16-le"), "Byte 1 .* NUL.*plain G-code"),
        (b"G1 X1\n" * 100 + b"\0", "Byte 600 .* NUL"),
        (b"G1 X1 E1" * 500_000, "longer than 1,024 KiB"),
        (b"G1 X1 E1\n;" + b"x" * 2_000_000 + b"\nG1 E2", "begins at byte 9 is longer"),
        (gzip.compress(JOB * 100)[:-20], "damaged"),
        (gzip.compress(JOB)[:-6] + b"garbage", "damaged"),
        (b"PK\x03\x04 no container", "damaged"),
        (container({"model.stl": b"solid"}), "holds no G-code"),
        (locked(), "damaged or locked"),
        (long_listing(), "list of contents is too long"),
    ],
    # The packed ones carry the time of packing: their bytes are no names for the workers to agree on.
    ids=range(13),
)
def test_each_refusal_names_a_remedy(facts_of, job, says):
    with pytest.raises(GcodeError, match=says) as refusal:
        facts_of(job)
    assert str(refusal.value).endswith(".")


@pytest.mark.parametrize("pack", [gzip.compress, lambda job: container({"job.gcode": job})])
def test_a_bomb_is_stopped_while_it_unpacks(facts_of, monkeypatch, pack):
    """32 MiB that pack to about 32 kB, against a limit of 16 MiB."""
    monkeypatch.setattr(sources, "MOST_BYTES", 16 * 2**20)
    bomb = pack(b"G1 X1\nG1 X0\n" * (32 * 2**20 // 12))
    assert len(bomb) < 2**18
    read = []
    with pytest.raises(GcodeError, match="longer than 0 GiB"):
        facts_of(bomb, progress=read.append)
    assert len(read) <= 4


def test_no_such_file(tmp_path):
    from maintenance.gcode import read_job

    with pytest.raises(GcodeError, match=r"gone\.gcode cannot be read: No such file"):
        read_job(tmp_path / "gone.gcode")


def test_progress_rises_and_may_end_the_reading(facts_of):
    job = JOB * 300_000
    shares: list[float] = []
    facts_of(job, progress=shares.append)
    assert shares == sorted(shares) and shares[-1] == 1 and len(shares) == 3

    def stop(share: float) -> None:
        raise InterruptedError

    with pytest.raises(InterruptedError):
        facts_of(job, progress=stop)


@pytest.mark.parametrize("changes", [100_000])
def test_many_events_without_a_move(facts_of, changes):
    """More than the buffers hold: set points, spools and names without end."""
    heat = "".join(f"M104 S{k % 200}\n" for k in range(changes))
    facts = facts_of(f"G1 X1 E1 F600\n{heat}G1 X2 E2\n")
    assert facts.filament_mm == 2 and facts.lines == changes + 2
    colours = facts_of("M83\nG1 F600\n" + "G1 E1\nM600\n" * 3000)
    assert len(colours.uses) == 64 and colours.filament_mm == 3000
    assert any(remark.code == "job_remark.many_spools" for remark in colours.remarks)
    names = facts_of("G1 E1 F60\n" + "".join(f"MACRO_{k}\n" for k in range(200)))
    assert names.unread["other named commands"] == 200 - 64
