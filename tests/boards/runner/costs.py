"""The table of costs in `firmware-core/README.md`."""

from .commands import REPOSITORY, Failure

README = REPOSITORY / "firmware-core" / "README.md"
BEGIN, END = "<!-- costs: written by tests/boards/run -->", "<!-- end of costs -->"
MOST_RISE = 0.05


def rows():
    """Name, value by board and how to write it, for every line of the table."""
    def mean(name, less=None):
        def value(cost):
            total = cost[name][0] / cost[name][1]
            return total - cost[less][0] / cost[less][1] if less else total
        return value

    def per_piece(whole, begin):
        return lambda cost: (cost[whole][0] - cost[begin][0]) / cost[whole][2]

    def scaled_piece(cost):
        total, _, pieces = cost["scaled_move"]
        return (total - cost["fading_move"][0]) / pieces

    def further_piece(cost):
        total, moves, pieces = cost["twisted_move"]
        return (total - cost["twisted_first"][0]) / (pieces - moves)

    def first_piece(cost):
        return (cost["twisted_first"][0] - cost["twisted_begin"][0]) / cost["twisted_move"][1]

    def single(name, index=0):
        return lambda cost: cost[name][index] if cost[name] else None

    return [
        ("one height", mean("height")),
        ("naive C `float`, one height", mean("naive_height")),
        ("fade and shift on top", mean("machine_fading", "height")),
        ("inverse", mean("logical")),
        ("inverse inside the fade", mean("logical_fading")),
        ("whole move of 85 mm, 2 µm", mean("move")),
        ("naive C `float`, the same move in parts of 1 mm", mean("naive_move")),
        ("set-up of a move", mean("move_begin")),
        ("one piece up to a node line", per_piece("move", "move_begin")),
        ("first piece inside a cell, set-up of the cell included", first_piece),
        ("one further piece inside it", further_piece),
        ("`E` scaled inside the fade, by a piece", scaled_piece),
        ("chords of an arc: set-up", mean("arc_begin")),
        ("one chord", mean("chord")),
        ("flash: correction", single("flash_correction")),
        ("flash: correction and splitting", single("flash_motion")),
        ("flash: the same and inverse", single("flash_motion_inverse")),
        ("flash: the same and arcs, without inverse", single("flash_motion_arc")),
        ("flash: correction, splitting and `E` scaled", single("flash_motion_scaled")),
        ("flash: grid, shift, fade", single("flash_set_up")),
        ("flash: grid refined", single("flash_refine")),
        ("flash: record", single("flash_record")),
        ("flash: survey", single("flash_survey")),
        ("flash: survey with middles and weights", single("flash_survey_middles")),
        ("flash: tram advice", single("flash_tram")),
        ("flash: store and record, memory left out", single("flash_store")),
        ("flash: the same over a byte EEPROM", single("flash_byte_eeprom")),
        ("flash: the same over an I2C EEPROM", single("flash_i2c_eeprom")),
        ("flash: the same over NOR flash", single("flash_nor_flash")),
        ("flash: keeper with survey and moves", single("flash_keeper")),
        ("flash: C interface, homing and moves", single("flash_c_motion")),
        ("flash: C, example `split_move.c`, numbers only", single("flash_c_split_move")),
        ("flash: `split_move.c` with texts", single("flash_c_split_move_texts")),
        ("flash: C++, example `survey.cpp`, numbers only", single("flash_c_survey")),
        ("flash: `survey.cpp` with texts", single("flash_c_survey_texts")),
        ("flash: example controller among its doubles", single("flash_controller")),
        ("stack: motion path, iterator included", single("stack")),
        ("of that, the iterator", single("split_bytes")),
        ("stack: a grid comes into force, 3×3 refined to 15×15", single("stack_restored")),
        ("stack: example controller among its doubles, survey and job", single("stack_controller")),
        ("stack: C, `gapkeeper_init`", single("stack_c_init")),
        ("stack: C, `gapkeeper_load` over a byte EEPROM", single("stack_c_load")),
        ("stack: C, `gapkeeper_save` over a byte EEPROM", single("stack_c_save")),
        ("stack: C, `gapkeeper_homed` with 3×3 refined to 15×15", single("stack_c_homed")),
        ("memory: keeper 3×3, one grid", single("keeper_3x3")),
        ("memory: keeper 5×5, one grid", single("keeper_5x5")),
        ("memory: keeper 3×3 refined to 15×15, one grid", single("keeper_3x3_refined")),
        ("memory: keeper 15×15, one grid", single("keeper_15x15")),
        ("memory: keeper 3×3 refined to 15×15, four grids", single("keeper_3x3_refined", 1)),
        ("memory: `split_move.c`, numbers only: constants and storage", single("memory_c_split_move")),
        ("memory: `split_move.c` with texts", single("memory_c_split_move_texts")),
    ]


def written(value):
    return "can panic" if value is None else f"{value:,.0f}"


def table(boards, costs):
    lines = ["| | " + " | ".join(board.chip for board in boards) + " |", "|---|" + "---:|" * len(boards)]
    ratios = {"naive C `float`, one height": "one height",
              "naive C `float`, the same move in parts of 1 mm": "whole move of 85 mm, 2 µm"}
    values = {name: [value(costs[board.name]) for board in boards] for name, value in rows()}
    for name, numbers in values.items():
        lines.append(f"| {name} | " + " | ".join(written(number) for number in numbers) + " |")
        if name in ratios:
            ours = values[ratios[name]]
            lines.append("| that many times ours | "
                         + " | ".join(f"{theirs / own:.1f}" for theirs, own in zip(numbers, ours)) + " |")
    pieces = [costs[board.name]["move"][2] / costs[board.name]["move"][1] for board in boards]
    lines.append("| pieces of that move, mean | " + " | ".join(f"{number:.1f}" for number in pieces) + " |")
    return lines


def cells(lines):
    found = {}
    for line in lines[2:]:
        name, *numbers = [cell.strip() for cell in line.strip().strip("|").split("|")]
        found[name] = numbers
    return found


def committed():
    text = README.read_text()
    if BEGIN not in text or END not in text:
        raise Failure(f"{README.name} has no markers for the table")
    return text, [line for line in text.split(BEGIN)[1].split(END)[0].strip().splitlines() if line.startswith("|")]


def check(lines):
    old, new = cells(committed()[1]), cells(lines)
    faults = []
    for name, numbers in new.items():
        if name.startswith(("naive", "that many")):
            continue
        if name not in old or len(old[name]) != len(numbers):
            faults.append(f"{name}: not in the committed table")
            continue
        for before, now in zip(old[name], numbers):
            if "panic" in now and "panic" not in before:
                faults.append(f"{name}: {before} has become {now}")
            elif "panic" not in now and "panic" not in before:
                before, now = float(before.replace(",", "")), float(now.replace(",", ""))
                if now > before * (1 + MOST_RISE) + 0.5:
                    faults.append(f"{name}: {before:,.0f} has become {now:,.0f}")
    if faults:
        raise Failure("costs rose by more than 5 %:\n" + "\n".join(faults))


def write(lines):
    text, _ = committed()
    before, rest = text.split(BEGIN)
    after = rest.split(END)[1]
    README.write_text(before + BEGIN + "\n" + "\n".join(lines) + "\n" + END + after)
