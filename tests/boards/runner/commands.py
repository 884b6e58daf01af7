"""Commands that are run, and the packages that they come from."""

import pathlib
import shutil
import subprocess

HERE = pathlib.Path(__file__).resolve().parent.parent
REPOSITORY = HERE.parent.parent

PACKAGES = [
    ("qemu-system-arm", "qemu-system-arm"),
    ("qemu-system-riscv32", "qemu-system-misc"),
    ("simavr", "simavr"),
    ("avr-gcc", "gcc-avr"),
    ("avr-ld", "binutils-avr"),
    ("arm-none-eabi-gcc", "gcc-arm-none-eabi"),
    ("riscv64-unknown-elf-gcc", "gcc-riscv64-unknown-elf"),
    ("cc", "gcc"),
    ("c++", "g++"),
    ("/usr/lib/avr/include/avr/io.h", "avr-libc"),
]
RUST_PACKAGES = [
    ("/usr/bin/rustc", "rustc-web"),
    ("/usr/bin/cargo", "cargo-web"),
    ("/usr/lib/rustlib/src/rust/library/core/src/lib.rs", "rust-web-src"),
]


class Failure(Exception):
    pass


def call(command, env=None, timeout=540, folder=HERE):
    done = subprocess.run([str(word) for word in command], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, env=env,
                          cwd=folder, timeout=timeout)
    return done.returncode, done.stdout.decode(errors="replace")


def must(command, env=None, folder=HERE):
    code, text = call(command, env, folder=folder)
    if code != 0:
        raise Failure(f"{' '.join(str(word) for word in command)}\n{text}")
    return text


def there(path):
    return pathlib.Path(path).exists() if path.startswith("/") else shutil.which(path)


def rustup_targets():
    if not shutil.which("rustup"):
        return []
    code, text = call(["rustup", "target", "list", "--installed"])
    return text.split() if code == 0 else []


def install(boards, targets):
    wanted = list(PACKAGES)
    if any(board.target not in targets for board in boards):
        wanted += RUST_PACKAGES
    missing = [package for path, package in wanted if not there(path)]
    if missing:
        print("installing " + " ".join(missing), flush=True)
        must(["apt-get", "update", "-qq"])
        must(["apt-get", "install", "-y", "-qq", "--no-install-recommends"] + missing)
