//! The README's code compiles, and its sizes are the header's.

mod compilers;

use std::fs;
use std::path::Path;

use compilers::{CROSS_C, HOST_C};

fn folder() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn read(file: &str) -> String {
    fs::read_to_string(folder().join(file)).expect("the file can be read")
}

/// What the README leaves to the reader.
const READERS_PART: &str = "
#include \"gapkeeper.h\"
void queue_straight_motion(GapkeeperPoint end, const int32_t *extra);
GapkeeperEvent carry_out_and_wait(const GapkeeperOrder *order);
void block(GapkeeperMemory memory, GapkeeperLoadReport report, GapkeeperMove motion);
void survey_block(GapkeeperKeeper keeper, GapkeeperMemory memory, GapkeeperLattice stations, int32_t z_um);
";

#[test]
fn the_code_of_the_readme_compiles() {
    let readme = read("README.md");
    let blocks: Vec<&str> =
        readme.split("```c\n").skip(1).map(|rest| rest.split("```").next().unwrap_or_default()).collect();
    let [split, survey] = blocks[..] else { panic!("{} blocks of C in the README", blocks.len()) };
    let source = format!(
        "{READERS_PART}
void block(GapkeeperMemory memory, GapkeeperLoadReport report, GapkeeperMove motion) {{\n{split}}}
void survey_block(GapkeeperKeeper keeper, GapkeeperMemory memory, GapkeeperLattice stations, int32_t z_um) {{
char text[GAPKEEPER_SCREEN_TEXT_SIZE];\n{survey}}}\n"
    );
    for compiler in HOST_C.iter().chain(&CROSS_C) {
        compiler.compile_alone(folder(), &source);
    }
}

#[test]
fn the_sizes_of_the_readme_are_those_of_the_header() {
    let (readme, header) = (read("README.md"), read("include/gapkeeper.h"));
    for (name, constant) in
        [("GapkeeperKeeper", "KEEPER"), ("GapkeeperPieces", "PIECES"), ("GapkeeperChords", "CHORDS")]
    {
        let define = format!("#define GAPKEEPER_{constant}_WORDS ");
        let mut sizes: Vec<String> = header
            .lines()
            .filter_map(|line| line.strip_prefix(&define))
            .map(|words| (words.parse::<u32>().expect("a number of words") * 8).to_string())
            .collect();
        // One size for all chips stands once in the header.
        while sizes.len() < 3 {
            sizes.push(sizes.first().expect("the constant is in the header").clone());
        }
        let row = format!("| `{name}` | {} |", sizes.join(" | "));
        assert!(readme.contains(&row), "the README should say {row}");
    }
}
