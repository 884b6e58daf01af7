//! What other programs make of the files: NumPy, `trimesh`, `objcopy`, `srec_cat`, plain Python, `rustc` and C compilers.
//!
//! A program that is not installed is said to be skipped; with `GAPKEEPER_ALL_READERS` set, as the gate has it, that is
//! an error. `GAPKEEPER_PYTHON` names a Python that has NumPy and `trimesh`.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::process::Command;

use gapkeeper::{Fade, HeightGrid, Lattice, Surface, Tie};
use gapkeeper_host_tools::grid_file::{
    GridDocument, GridFormat, Language, MissingFacts, SurveyMarks, read_grid, source, write_grid_as,
};
use grid_support::facts;

mod grid_support;

fn document() -> GridDocument {
    let lattice = Lattice { x0_um: -7_500, y0_um: 12_250, pitch_x_um: 50_001, pitch_y_um: 45_500, columns: 4, rows: 3 };
    GridDocument {
        shift_um: -20,
        fade: Some(Fade::new(-1_000, 100_000).unwrap()),
        bed_temperature_c: Some(-5),
        survey: Some(SurveyMarks {
            closure_um: -55,
            closure_accepted: true,
            surface: Surface::Refined,
            tie: Tie::new(2, 37),
        }),
        lowest_machine_z_um: None,
        ..GridDocument::of_heights(
            HeightGrid::new(lattice, &[12, -30, 8, 8191, 5, -41, 0, -8191, 7, 77, -777, 1]).unwrap(),
        )
    }
}

/// What a program prints; none if it is not there, which is said.
fn run(what: &str, command: &mut Command) -> Option<String> {
    match command.output() {
        Ok(output) if output.status.success() => Some(String::from_utf8(output.stdout).unwrap()),
        Ok(output) => panic!("{what}: {}{}", String::from_utf8_lossy(&output.stderr), output.status),
        Err(error) => skip(&format!("{what} is not there ({error})")),
    }
}

/// Says that a reader is missing, which is an error where none may be.
fn skip<T>(why: &str) -> Option<T> {
    assert!(std::env::var_os("GAPKEEPER_ALL_READERS").is_none(), "{why}");
    println!("skipped: {why}");
    None
}

/// Whether Python has a module.
fn has_module(name: &str) -> bool {
    let there = python().args(["-c", &format!("import {name}")]).output().is_ok_and(|output| output.status.success());
    there || skip::<()>(&format!("there is no Python with {name}")).is_some()
}

fn python() -> Command {
    Command::new(std::env::var("GAPKEEPER_PYTHON").unwrap_or_else(|_| "python3".to_owned()))
}

fn write(folder: &Path, name: &str, format: GridFormat, facts: &MissingFacts) {
    write_grid_as(&folder.join(name), format, &document(), facts).unwrap();
}

/// Rows of numbers, each as Rust shows them.
fn shown(rows: &[Vec<i64>]) -> String {
    rows.iter().fold(String::new(), |mut text, row| {
        writeln!(text, "{row:?}").unwrap();
        text
    })
}

fn node_rows() -> Vec<Vec<i64>> {
    document().grid.nodes_um().chunks(4).map(|row| row.iter().copied().map(i64::from).collect()).collect()
}

fn point_rows() -> Vec<Vec<i64>> {
    let lattice = document().grid.lattice();
    let places = (0..lattice.rows).flat_map(|row| (0..lattice.columns).map(move |column| (column, row)));
    let points = places.zip(document().grid.nodes_um().to_vec()).map(|((column, row), height_um)| {
        let (x_um, y_um) = lattice.node_um(column, row);
        vec![x_um.into(), y_um.into(), height_um.into()]
    });
    points.collect()
}

#[test]
fn numpy_reads_arrays_csv_and_points() {
    if !has_module("numpy") {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    write(folder.path(), "bed.npy", GridFormat::Npy, &MissingFacts::default());
    write(folder.path(), "bed.csv", GridFormat::Csv, &MissingFacts::default());
    write(folder.path(), "bed.xyz", GridFormat::Xyz, &MissingFacts::default());
    write(folder.path(), "bed.txt", GridFormat::Matrix, &MissingFacts::default());
    let program = "
import numpy
array = numpy.load('bed.npy', allow_pickle=False)
assert array.dtype == numpy.dtype('<i2') and array.shape == (3, 4), array
table = numpy.loadtxt('bed.csv', delimiter=',', skiprows=1, dtype=int)
points = numpy.rint(1000 * numpy.loadtxt('bed.xyz')).astype(int)
matrix = numpy.rint(1000 * numpy.loadtxt('bed.txt')).astype(int)
for rows in array, matrix, table, points:
    for row in rows.tolist():
        print(row)
# And back: what NumPy writes.
numpy.save('f4.npy', (array / 1000).astype('<f4'))
numpy.save('f8.npy', (array / 1000).astype('>f8'))
numpy.save('i4.npy', numpy.asfortranarray(array.astype('<i4')))
";
    let printed = run("NumPy", python().args(["-c", program]).current_dir(folder.path())).unwrap();
    let (nodes, points) = (shown(&node_rows()), shown(&point_rows()));
    assert_eq!(printed, format!("{nodes}{nodes}{points}{points}"));
    for name in ["f4.npy", "f8.npy"] {
        let bytes = fs::read(folder.path().join(name)).unwrap();
        let reading = GridFormat::Npy.parse(name, &bytes, &facts(&document(), GridFormat::Xyz)).unwrap();
        assert_eq!((reading.document.grid, reading.losses), (document().grid, vec![]), "{name}");
    }
    let fortran = fs::read(folder.path().join("i4.npy")).unwrap();
    let error = GridFormat::Npy.parse("i4.npy", &fortran, &facts(&document(), GridFormat::Npy)).unwrap_err();
    assert!(error.to_string().starts_with("i4.npy: the array is in Fortran order"), "{error}");
}

#[test]
fn python_reads_surfaces() {
    let folder = tempfile::tempdir().unwrap();
    write(folder.path(), "bed.ply", GridFormat::Ply, &facts(&document(), GridFormat::Ply));
    write(folder.path(), "bed.stl", GridFormat::Stl, &facts(&document(), GridFormat::Stl));
    // Corners of all faces, in micrometres and without the exaggeration; a quadrangle becomes two triangles.
    let program = "
import math, struct
lines = open('bed.ply', encoding='ascii').read().split('\\n')
header = lines.index('end_header')
counts = {line.split()[1]: int(line.split()[2]) for line in lines[:header] if line.startswith('element')}
body = lines[header + 1:]
vertices = [tuple(map(float, line.split())) for line in body[:counts['vertex']]]
faces = [list(map(int, line.split())) for line in body[counts['vertex']:] if line]
assert len(faces) == counts['face'] and all(face[0] == 4 for face in faces)
from_ply = [[vertices[i] for i in t] for _, a, b, c, d in faces for t in ((a, b, c), (a, c, d))]
data = open('bed.stl', 'rb').read()
count, = struct.unpack_from('<I', data, 80)
assert len(data) == 84 + 50 * count
from_stl = []
for index in range(count):
    numbers = struct.unpack_from('<12fH', data, 84 + 50 * index)
    n, a, b, c = (numbers[i:i + 3] for i in (0, 3, 6, 9))
    u, v = [[p - q for p, q in zip(end, a)] for end in (b, c)]
    cross = [u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]]
    length = math.hypot(*cross)
    assert cross[2] > 0 and all(abs(p - q / length) < 1e-5 for p, q in zip(n, cross)), (n, cross)
    from_stl.append((a, b, c))
um = lambda triangles: [[round(1000 * x), round(1000 * y), round(50 * z)] for t in triangles for x, y, z in t]
assert um(from_ply) == um(from_stl)
for corner in um(from_ply):
    print(corner)
";
    let Some(printed) = run("Python", python().args(["-c", program]).current_dir(folder.path())) else { return };
    let points = point_rows();
    let mut corners = Vec::new();
    for first in [0, 1, 2, 4, 5, 6] {
        for corner in [first, first + 1, first + 5, first, first + 5, first + 4] {
            corners.push(points[corner].clone());
        }
    }
    assert_eq!(printed, shown(&corners));
}

/// A general library for meshes: the same corners and faces from both files, all faces upwards.
#[test]
fn trimesh_reads_surfaces() {
    if !has_module("numpy, trimesh") {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    write(folder.path(), "bed.ply", GridFormat::Ply, &facts(&document(), GridFormat::Ply));
    write(folder.path(), "bed.stl", GridFormat::Stl, &facts(&document(), GridFormat::Stl));
    let program = "
import numpy, trimesh
for name in 'bed.ply', 'bed.stl':
    mesh = trimesh.load(name, force='mesh', process=True)
    assert len(mesh.faces) == 12 and len(mesh.vertices) == 12, (name, mesh)
    assert (mesh.face_normals[:, 2] > 0).all(), name
    # The area that the surface covers, whatever its heights.
    covered = numpy.rint(1000 * mesh.triangles[:, :, :2]).astype(int)
    u, v = covered[:, 1] - covered[:, 0], covered[:, 2] - covered[:, 0]
    print((u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]).sum() // 2)
    um = numpy.rint(mesh.vertices * [1000, 1000, 50]).astype(int).tolist()
    for corner in sorted(um, key=lambda corner: (corner[1], corner[0])):
        print(corner)
";
    let printed = run("trimesh", python().args(["-c", program]).current_dir(folder.path())).unwrap();
    // 3 × 2 cells of 50.001 mm × 45.5 mm.
    let once = format!("{}\n{}", 3_i64 * 50_001 * 2 * 45_500, shown(&point_rows()));
    assert_eq!(printed, format!("{once}{once}"));
}

/// The standard library of Python reads the document, and nothing in it is said twice or in another type.
#[test]
fn python_reads_documents() {
    let program = "
import json
def once(pairs):
    assert len({key for key, _ in pairs}) == len(pairs), pairs
    return dict(pairs)
bed = json.load(open('bed.json', encoding='utf-8'), object_pairs_hook=once)
assert bed['format'] == 'gapkeeper-grid' and bed['version'] == 2 and bed['survey']['tie'] == {'count': 2, 'residual_um': 37}
for row in bed['nodes_um']:
    assert all(type(node) is int for node in row)
    print(row)
bed['nodes_um'][0][0] += 1
json.dump(bed, open('other.json', 'w', encoding='utf-8'))
json.dump(bed, open('indented.json', 'w', encoding='utf-8'), indent=4, sort_keys=True)
";
    let folder = tempfile::tempdir().unwrap();
    write(folder.path(), "bed.json", GridFormat::Json, &MissingFacts::default());
    let Some(printed) = run("Python", python().args(["-c", program]).current_dir(folder.path())) else { return };
    assert_eq!(printed, shown(&node_rows()));
    let mut nodes_um = document().grid.nodes_um().to_vec();
    nodes_um[0] += 1;
    let grid = HeightGrid::new(document().grid.lattice(), &nodes_um).unwrap();
    for name in ["other.json", "indented.json"] {
        let back = read_grid(&folder.path().join(name)).unwrap();
        assert_eq!(back, GridDocument { grid: grid.clone(), ..document() });
    }
}

#[test]
fn srec_cat_reads_images_and_writes_them() {
    let folder = tempfile::tempdir().unwrap();
    let facts = facts(&document(), GridFormat::Hex);
    write(folder.path(), "bed.hex", GridFormat::Hex, &facts);
    let srec_cat =
        |arguments: &[&str]| run("srec_cat", Command::new("srec_cat").args(arguments).current_dir(folder.path()));
    // It stops at a check value that is wrong and warns about any line that is odd.
    let address = format!("0x{:X}", facts.address.unwrap());
    let to_zero = ["bed.hex", "-intel", "-offset", &format!("-{address}"), "-o", "bed.bin", "-binary"];
    if srec_cat(&to_zero).is_none() {
        return;
    }
    let (record, _) = GridFormat::Record.render(&document(), &facts).unwrap();
    assert_eq!(fs::read(folder.path().join("bed.bin")).unwrap(), record);
    // And back, in lines of its own length at another address, across a border of 64 KiB.
    srec_cat(&["bed.bin", "-binary", "-offset", "0x1FFE3", "-o", "other.hex", "-intel", "-line-length=44"]);
    let image = fs::read(folder.path().join("other.hex")).unwrap();
    let there = MissingFacts { address: Some(0x1_FFE3), ..MissingFacts::default() };
    let reading = GridFormat::Hex.parse("other.hex", &image, &there).unwrap();
    assert_eq!((reading.document, reading.setup), (document(), Some(7)));
}

#[test]
fn objcopy_reads_images_and_writes_them() {
    let folder = tempfile::tempdir().unwrap();
    let facts = facts(&document(), GridFormat::Hex);
    write(folder.path(), "bed.hex", GridFormat::Hex, &facts);
    let objcopy =
        |arguments: &[&str]| run("objcopy", Command::new("objcopy").args(arguments).current_dir(folder.path()));
    if objcopy(&["-I", "ihex", "-O", "binary", "bed.hex", "bed.bin"]).is_none() {
        return;
    }
    let (record, _) = GridFormat::Record.render(&document(), &facts).unwrap();
    assert_eq!(fs::read(folder.path().join("bed.bin")).unwrap(), record);
    // And back, at an address that this program does not write in the same way.
    let address = "0x0123FFF8";
    objcopy(&["-I", "binary", "-O", "ihex", "--change-addresses", address, "bed.bin", "other.hex"]);
    let image = fs::read(folder.path().join("other.hex")).unwrap();
    let there = MissingFacts { address: Some(0x0123_FFF8), ..MissingFacts::default() };
    let reading = GridFormat::Hex.parse("other.hex", &image, &there).unwrap();
    assert_eq!((reading.document, reading.setup), (document(), Some(7)));
}

/// Documents with everything, with nothing, and with the numbers that have no literal of their own.
fn documents() -> [GridDocument; 3] {
    let bare = GridDocument::of_heights(document().grid);
    let lattice = Lattice { x0_um: i32::MIN, y0_um: i32::MIN, pitch_x_um: 100, pitch_y_um: 100, columns: 2, rows: 2 };
    let extreme = GridDocument {
        shift_um: i32::MIN,
        fade: Some(Fade::new(i32::MIN, i32::MIN + 100).unwrap()),
        bed_temperature_c: Some(i16::MIN),
        survey: Some(SurveyMarks {
            closure_um: i16::MIN,
            closure_accepted: false,
            surface: Surface::Bilinear,
            tie: None,
        }),
        lowest_machine_z_um: Some(i32::MIN),
        ..GridDocument::of_heights(HeightGrid::new(lattice, &[-8191, 8191, 0, -1]).unwrap())
    };
    [document(), bare, extreme]
}

/// What the compiled programs should print.
fn values(document: &GridDocument) -> String {
    let lattice = document.grid.lattice();
    let fade = document.fade.map_or([0; 3], |fade| [1, fade.full_below_um(), fade.zero_above_um()]);
    let marks = document.survey.map_or([0, 0, 0, 0, 0, 1], |marks| {
        let is_refined = marks.surface == Surface::Refined;
        let [ties, residual_um] = marks.tie.map_or([0; 2], |tie| [tie.count().into(), tie.residual_um().into()]);
        [1, marks.closure_um.into(), marks.closure_accepted.into(), ties, residual_um, is_refined.into()]
    });
    let temperature = document.bed_temperature_c.map_or([0; 2], |degrees| [1, degrees.into()]);
    let mut numbers: Vec<i64> = [lattice.x0_um, lattice.y0_um].map(i64::from).to_vec();
    numbers.extend([lattice.pitch_x_um, lattice.pitch_y_um].map(i64::from));
    numbers.extend([lattice.columns, lattice.rows].map(i64::from));
    numbers.push(document.shift_um.into());
    numbers.extend(fade.into_iter().chain(temperature).chain(marks).map(i64::from));
    numbers.extend(document.grid.nodes_um().iter().copied().map(i64::from));
    numbers.iter().fold(String::new(), |text, number| format!("{text}{number}\n"))
}

#[test]
fn rust_constants_are_the_documents_values() {
    let program = "
mod grid;
use grid::*;
fn main() {
    let mut numbers = vec![X0_UM as i64, Y0_UM as i64, PITCH_X_UM as i64, PITCH_Y_UM as i64];
    numbers.extend([COLUMNS as i64, ROWS as i64, SHIFT_UM as i64]);
    numbers.extend(FADE_UM.map_or([0; 3], |(full, zero)| [1, full as i64, zero as i64]));
    numbers.extend(BED_TEMPERATURE_C.map_or([0; 2], |degrees| [1, degrees as i64]));
    numbers.extend(CLOSURE_UM.map_or([0; 2], |closure| [1, closure as i64]));
    numbers.extend([CLOSURE_ACCEPTED as i64, TIES as i64, TIE_RESIDUAL_UM as i64, REFINED as i64]);
    numbers.extend(NODES_UM.iter().flatten().map(|&node| node as i64));
    for number in numbers { println!(\"{number}\"); }
}
";
    for document in documents() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("main.rs"), program).unwrap();
        fs::write(folder.path().join("grid.rs"), source(&document, Language::Rust, None)).unwrap();
        let rustc = std::env::var("RUSTC").unwrap_or_else(|_| "rustc".to_owned());
        let arguments = ["--edition", "2024", "-D", "warnings", "main.rs", "-o", "program"];
        if run("rustc", Command::new(rustc).args(arguments).current_dir(folder.path())).is_none() {
            return;
        }
        assert_eq!(run("", &mut Command::new(folder.path().join("program"))).unwrap(), values(&document));
    }
}

#[test]
fn c_constants_are_the_documents_values() {
    let program = "
#include \"grid.h\"
#include <stdio.h>
int main(void) {
    const long long numbers[] = {grid_x0_um, grid_y0_um, grid_pitch_x_um, grid_pitch_y_um, GRID_COLUMNS, GRID_ROWS,
        grid_shift_um, grid_has_fade, grid_full_below_um, grid_zero_above_um, grid_has_bed_temperature,
        grid_bed_temperature_c, grid_has_survey, grid_closure_um, grid_closure_accepted, grid_ties,
        grid_tie_residual_um, grid_refined};
    for (unsigned i = 0; i < sizeof numbers / sizeof numbers[0]; i++) printf(\"%lld\\n\", numbers[i]);
    for (int row = 0; row < GRID_ROWS; row++)
        for (int column = 0; column < GRID_COLUMNS; column++) printf(\"%d\\n\", grid_nodes_um[row][column]);
    return 0;
}
";
    let flags = ["-std=c99", "-pedantic", "-Wall", "-Wextra", "-Werror"];
    for document in documents() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("main.c"), program).unwrap();
        fs::write(folder.path().join("grid.h"), source(&document, Language::C, None)).unwrap();
        let compile = |compiler: &str, arguments: &[&str]| {
            run(compiler, Command::new(compiler).args(flags).args(arguments).current_dir(folder.path()))
        };
        if compile("cc", &["main.c", "-o", "program"]).is_some() {
            assert_eq!(run("", &mut Command::new(folder.path().join("program"))).unwrap(), values(&document));
        }
        // Where an `int` has 16 bits, a constant that is too narrow would be an error.
        compile("avr-gcc", &["-mmcu=atmega328p", "-c", "main.c", "-o", "program.o"]);
    }
}
