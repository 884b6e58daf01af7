"""The five emulated chips: how to compile for each, and how to run it."""

import os
import pathlib
import re
import subprocess

from .commands import HERE, Failure, call


class Board:
    def __init__(self, name, chip, target, prefix, c_flags, rust_flags, machine, opt_level, unit="instructions"):
        self.name, self.chip, self.target, self.prefix = name, chip, target, prefix
        self.c_flags, self.rust_flags, self.machine = c_flags.split(), rust_flags, machine
        self.opt_level, self.unit = opt_level, unit
        self.is_avr = prefix == "avr"
        self.suffix = ".elf" if self.is_avr else ""

    def folder(self):
        base = os.environ.get("CARGO_TARGET_DIR")
        # One for each, so that two can be built at a time.
        return (pathlib.Path(base) if base else HERE / "target") / "boards" / self.name

    def command(self, image, job=None):
        """Emulates the chip; a job is put into its memory, where the images look for one."""
        def loaded(address):
            return ["-device", f"loader,file={job},addr={address},force-raw=on"] if job else []

        if self.is_avr:
            return ["simavr", "-m", self.machine, "-f", "16000000", image]
        if self.prefix == "arm-none-eabi":
            return ["qemu-system-arm", "-M", self.machine, "-nographic", "-icount", "shift=6",
                    "-semihosting-config", "enable=on,target=native", *loaded("0x21000000"), "-kernel", image]
        return ["qemu-system-riscv32", "-M", self.machine, "-bios", "none", "-nographic", "-icount", "shift=0",
                *loaded("0x81000000"), "-kernel", image]

    def run(self, image, job=None):
        """The lines that an image prints."""
        try:
            code, text = call(self.command(image, job), timeout=400)
        except subprocess.TimeoutExpired:
            raise Failure(f"{self.name}: {image.name} does not end")
        lines = text.splitlines()
        if self.is_avr:
            # simavr paints what the serial line says, and puts a dot for the end of a line.
            lines = [line.removesuffix(".") for line in re.sub(r"\x1b\[[0-9;]*m", "\n", text).splitlines()]
            code = 0 if "end" in lines else 1
        if code != 0 or any(line.startswith("panic") for line in lines):
            raise Failure(f"{self.name}: {image.name} failed\n{text}")
        return lines


LD = "-Clinker-flavor=ld"
# Optimisation levels by measurement (`--level`, M3, M0 and RV32): a move takes as many instructions at "s" as at 3,
# within 5 %, a chord up to 38 % more, and correction with splitting 11 to 22 % less flash. rustc 1.96 compiles the
# survey wrongly for the AVR at "s", as the digest shows, and at 3 the programme outgrows its flash.
BOARDS = [
    Board("M4F", "Cortex-M4F", "thumbv7em-none-eabihf", "arm-none-eabi",
          "-mcpu=cortex-m4 -mthumb -mfloat-abi=hard -mfpu=fpv4-sp-d16", LD, "mps2-an386", "s"),
    Board("M3", "Cortex-M3", "thumbv7m-none-eabi", "arm-none-eabi", "-mcpu=cortex-m3 -mthumb", LD, "mps2-an385", "s"),
    Board("M0", "Cortex-M0", "thumbv6m-none-eabi", "arm-none-eabi", "-mcpu=cortex-m0 -mthumb", LD, "mps2-an385", "s"),
    Board("RV32", "RV32IMC", "riscv32imc-unknown-none-elf", "riscv64-unknown-elf", "-march=rv32imc -mabi=ilp32",
          LD + " -Clink-arg=-melf32lriscv", "virt", "s"),
    Board("AVR", "ATmega2560", "avr-none", "avr", "-mmcu=atmega2560", "-Ctarget-cpu=atmega2560", "atmega2560", "z",
          unit="cycles"),
]
