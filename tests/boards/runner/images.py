"""Images in Rust: built, looked into, weighed."""

import os
import re

from .commands import HERE, REPOSITORY, Failure, call, must

# What a release image of an FPU-less chip may not call.
FLOAT_HELPER = re.compile(r"^__(aeabi_([fd]|c[fd]|u?[il]2[fd])|(add|sub|mul|div|neg|eq|ne|lt|le|gt|ge|cmp|unord)[sd]f[23]"
                          r"|fix|float|extendsf|truncdf)")
PANIC = re.compile(r"panic|unwind|unwrap_failed|expect_failed|slice_index|bounds_check")
# These must link with a panic handler that does not exist; the others may say that they cannot.
MUST_NOT_PANIC = {"nothing", "correction", "motion", "motion_scaled", "motion_inverse", "motion_arc"}
WEIGHED = ["nothing", "correction", "motion", "motion_scaled", "motion_inverse", "motion_arc", "set_up", "refine",
           "record", "survey", "survey_middles", "tram", "store", "byte_eeprom", "i2c_eeprom", "nor_flash", "keeper"]


def baseline(board):
    """The C baseline with the compiler's own float library inside, and no other name to be seen."""
    folder = board.folder()
    folder.mkdir(parents=True, exist_ok=True)
    gcc, plain, whole = f"{board.prefix}-gcc", folder / "naive.o", folder / "naive_whole.o"
    must([gcc, *board.c_flags, "-O2", "-ffreestanding", "-ffunction-sections", "-Wall", "-Wextra", "-Werror", "-c",
          HERE / "baseline" / "naive.c", "-o", plain])
    library = must([gcc, *board.c_flags, "-print-libgcc-file-name"]).strip()
    if board.is_avr:
        # Its linker joins no objects, so every name gets a prefix instead. The float routines are in avr-libc's
        # mathematics library.
        files = [plain, must([gcc, *board.c_flags, "-print-file-name=libm.a"]).strip(), library]
        hidden = [folder / f"hidden_{os.path.basename(file)}" for file in files]
        for source, copy in zip(files, hidden):
            must(["avr-objcopy", "--prefix-symbols=hidden_", source, copy])
        seen = [f"--redefine-sym=hidden_naive_{name}=naive_{name}" for name in ("mm", "height", "split")]
        must(["avr-objcopy", *seen, hidden[0]])
        return " ".join(str(file) for file in hidden)
    emulation = ["-melf32lriscv"] if board.prefix == "riscv64-unknown-elf" else []
    must([f"{board.prefix}-ld", *emulation, "-r", plain, library, "-o", whole])
    keep = [f"--keep-global-symbol=naive_{name}" for name in ("mm", "height", "split")]
    must([f"{board.prefix}-objcopy", *keep, whole])
    return str(whole)


def cargo(board, targets):
    """The command and environment to build for a board; rustup's toolchain where it has the target."""
    env = dict(os.environ)
    flags = board.target.upper().replace("-", "_")
    env["CARGO_TARGET_DIR"] = str(board.folder())
    env[f"CARGO_TARGET_{flags}_LINKER"] = "avr-gcc" if board.is_avr else f"{board.prefix}-ld"
    env[f"CARGO_TARGET_{flags}_RUSTFLAGS"] = board.rust_flags
    # A controller's release build, also where a workspace says otherwise.
    env["CARGO_PROFILE_RELEASE_OPT_LEVEL"] = board.opt_level
    env["CARGO_PROFILE_RELEASE_PANIC"] = "abort"
    env["CARGO_PROFILE_RELEASE_LTO"] = "true"
    env["CARGO_PROFILE_RELEASE_CODEGEN_UNITS"] = "1"
    env["CARGO_PROFILE_RELEASE_DEBUG"] = "false"
    env["RUSTC_WRAPPER"] = str(HERE / "runner" / "rustc")
    command = ["cargo"]
    if board.target not in targets:
        command, env["RUSTC"], env["RUSTC_BOOTSTRAP"] = ["/usr/bin/cargo", "-Zbuild-std=core"], "/usr/bin/rustc", "1"
    return command, env


def build(board, targets, naive, job, images):
    """The images by name; none in the place of one that may panic, so does not link, and may."""
    command, env = cargo(board, targets)
    env["BOARDS_BASELINE"] = naive
    if board.is_avr:
        env["BOARDS_JOB"] = str(job)
    command += ["build", "--release", "--target", board.target, "--keep-going"]
    for image in images:
        command += ["--bin", image]
    code, text = call(command, env)
    built = {}
    for image in images:
        path = board.folder() / board.target / "release" / (image + board.suffix)
        failed = re.search(rf"could not compile .*\(bin \"{image}\"\)", text)
        built[image] = None if failed else path
    if code != 0 and not any(path is None for path in built.values()):
        raise Failure(f"{board.name}: {text}")
    for image, path in built.items():
        weighed = image.removeprefix("weigh_")
        if path is None and (weighed == image or weighed in MUST_NOT_PANIC or "a_panic_can_be_reached" not in text):
            raise Failure(f"{board.name}: {image} does not link\n{text}")
    return built


def static_library(board, targets):
    """The C interface as a static library."""
    command, env = cargo(board, targets)
    # That kind alone: then the compiler's own crates are those of the images and need not be built twice.
    command += ["rustc", "--release", "--target", board.target, "-p", "gapkeeper-c-api", "--crate-type", "staticlib"]
    must(command, env, folder=REPOSITORY)
    return board.folder() / board.target / "release" / "libgapkeeper_c_api.a"


def inspect(board, image):
    """No way to panic and no float helper in an image."""
    names = [line.split()[-1] for line in must([f"{board.prefix}-nm", image]).splitlines() if line.strip()]
    # The image's own handler among them: it is in the image only if something reaches it.
    panics = [name for name in names if PANIC.search(name)]
    if panics:
        raise Failure(f"{board.name}: something in {image.name} can panic: {', '.join(panics)}")
    if board.name != "M4F":
        floats = [name for name in names if FLOAT_HELPER.match(name)]
        if floats:
            raise Failure(f"{board.name}: float helpers in {image.name}: {', '.join(floats)}")


def flash_bytes(board, image):
    text, data = must([f"{board.prefix}-size", image]).splitlines()[1].split()[:2]
    return int(text) + int(data)
