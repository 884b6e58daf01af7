"""The examples in C and C++ on every chip: compiled without a warning, linked, run, and compared with this computer."""

import os

from .commands import HERE, REPOSITORY, Failure, must
from .images import flash_bytes, static_library

API = REPOSITORY / "firmware-core" / "c-api"
FIRMWARE = HERE / "c"
# The example and the firmware's part of it.
EXAMPLES = {"split_move": ("split_move.c", "split_move_firmware.c", "eeprom.c"),
            "survey": ("survey.cpp", "survey_firmware.cpp")}
WARNINGS = ["-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Werror"]
SECTIONS = ["-Os", "-ffreestanding", "-ffunction-sections", "-fdata-sections"]
INCLUDE = ["-I", API / "include", "-I", FIRMWARE]
LANGUAGE = {".c": ["-std=c99"], ".cpp": ["-std=c++11", "-fno-exceptions", "-fno-rtti"]}


# On the AVR constants live in memory, and the library's texts leave too little for the stack: the table has the bytes.
# So there the examples say numbers; with texts they are linked and weighed only.
WITHOUT_TEXTS = ["-DBOARD_WITHOUT_TEXTS"]


def compile_to(folder, compilers, flags, sources):
    """Objects of sources in C and C++."""
    folder.mkdir(parents=True, exist_ok=True)
    objects = []
    for source in sources:
        target = folder / (source.stem + ".o")
        must([compilers[source.suffix], *flags, *LANGUAGE[source.suffix], *WARNINGS, *INCLUDE, "-c", source,
              "-o", target])
        objects.append(target)
    return objects


def linked(board, name, sources, library, texts):
    """An image of sources in C and C++ and what they use of the library."""
    folder = board.folder() / "c" / ("texts" if texts else "numbers")
    compilers = {".c": f"{board.prefix}-gcc", ".cpp": f"{board.prefix}-g++"}
    chip = {"avr": "avr.c", "arm-none-eabi": "cortex_m.c"}.get(board.prefix, "riscv32.c")
    flags = [*board.c_flags, *SECTIONS, *([] if texts else WITHOUT_TEXTS)]
    objects = compile_to(folder / name, compilers, flags, [*sources, FIRMWARE / chip])
    script = {"avr": None, "arm-none-eabi": "cortex_m.ld"}.get(board.prefix, "riscv32.ld")
    image = folder / f"{name}.elf"
    # With texts an example outgrows the AVR's memory: it is weighed all the same.
    room = ["-Wl,--defsym=__DATA_REGION_LENGTH__=0x8000"] if board.is_avr and texts else []
    # A start of our own, but the AVR's; no library but the compiler's own.
    start = [] if board.is_avr else ["-nostartfiles", "-nodefaultlibs", "-T", HERE / "image" / script]
    must([compilers[".c"], *board.c_flags, *start, *room, "-Wl,--gc-sections", *objects, library, "-lgcc", "-o", image])
    return image


class Host:
    """What the examples print on this computer: as they stand, and without texts."""

    def __init__(self):
        env = {name: value for name, value in os.environ.items() if not name.startswith("RUSTC")}
        must(["cargo", "build", "-q", "-p", "gapkeeper-c-api"], env, folder=REPOSITORY)
        target = os.environ.get("CARGO_TARGET_DIR") or REPOSITORY / "target"
        self.library = os.path.join(target, "debug", "libgapkeeper_c_api.a")
        self.folder = HERE / "out" / "host"
        self.printed = {(name, texts): self.output(name, texts) for name in EXAMPLES for texts in (True, False)}

    def output(self, name, texts):
        example, *firmware = EXAMPLES[name]
        sources, flags = [API / "examples" / example], ["-O1"]
        if not texts:
            sources += [FIRMWARE / part for part in (*firmware, "host.c")]
            # Free-standing, so that the example takes the firmware's functions.
            flags += ["-ffreestanding", *WITHOUT_TEXTS]
        folder = self.folder / f"{name}_{'with' if texts else 'without'}_texts"
        objects = compile_to(folder, {".c": "cc", ".cpp": "c++"}, flags, sources)
        must(["c++", *objects, self.library, "-lpthread", "-ldl", "-lm", "-o", folder / name])
        printed = must([folder / name]).splitlines()
        if len(printed) < 30:
            raise Failure(f"{name} prints next to nothing on this computer")
        return printed


def memory_bytes(board, image):
    """Constants and variables in memory, the stack left out."""
    data, bss = must([f"{board.prefix}-size", image]).splitlines()[1].split()[1:3]
    return int(data) + int(bss)


def compare(board, example, expected, printed):
    if board.is_avr:
        # Among what simavr itself says, and without the empty lines that it makes.
        expected = [line for line in expected if line]
        first = printed.index(expected[0]) if expected[0] in printed else 0
        printed = [line for line in printed[first:printed.index("end")] if line]
    if printed != expected:
        pairs = enumerate(zip(printed, expected))
        place = next((at for at, pair in pairs if pair[0] != pair[1]), min(len(printed), len(expected)))
        raise Failure(f"{board.name}: {example} says otherwise than on this computer, from line {place + 1} on:\n"
                      + "\n".join(printed[place:place + 5]) + "\ninstead of\n" + "\n".join(expected[place:place + 5]))


def measure(board, targets, host):
    """Runs the examples on a board, compares every line, and weighs the C interface."""
    library = static_library(board, targets)
    texts = not board.is_avr
    empty = flash_bytes(board, linked(board, "weigh_nothing", [FIRMWARE / "weigh_nothing.c"], library, texts))
    motion = linked(board, "weigh_motion", [FIRMWARE / "weigh_motion.c"], library, texts)
    costs = {"flash_c_motion": [flash_bytes(board, motion) - empty]}
    stack = linked(board, "stack", [FIRMWARE / "stack.c", FIRMWARE / "eeprom.c"], library, texts)
    for line in board.run(stack):
        if line.startswith("stack_c_"):
            name, number = line.split()
            costs[name] = [int(number)]
    for name, (example, *firmware) in EXAMPLES.items():
        sources = [API / "examples" / example, *(FIRMWARE / part for part in firmware)]
        with_texts, without = [linked(board, name, sources, library, texts) for texts in (True, False)]
        costs[f"flash_c_{name}"] = [flash_bytes(board, without) - empty]
        costs[f"flash_c_{name}_texts"] = [flash_bytes(board, with_texts) - empty]
        costs[f"memory_c_{name}"] = [memory_bytes(board, without)]
        costs[f"memory_c_{name}_texts"] = [memory_bytes(board, with_texts)]
        compare(board, example, host.printed[name, texts], board.run(with_texts if texts else without))
    return costs
