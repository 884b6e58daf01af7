//! The README's code compiles, and its sizes are the header's.

mod compilers;

use std::fs;
use std::path::Path;

use compilers::{CROSS_C, HOST_C};
use gapkeeper_c_api::GapkeeperResult;

fn folder() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn read(file: &str) -> String {
    fs::read_to_string(folder().join(file)).expect("the file can be read")
}

/// What the README leaves to the reader, and its blocks as functions.
fn source() -> String {
    let readme = read("README.md");
    let blocks: Vec<&str> =
        readme.split("```c\n").skip(1).map(|rest| rest.split("```").next().unwrap_or_default()).collect();
    let [split, survey, steps, memory, panel] = blocks[..] else {
        panic!("{} blocks of C in the README", blocks.len())
    };
    format!(
        "#include \"gapkeeper.h\"
void queue_straight_motion(GapkeeperPoint end, const int32_t *extra);
int person_says_that_the_memory_is_new(void);
void show_result(const GapkeeperKeeper *keeper, GapkeeperResult result);
GapkeeperEvent carry_out_and_wait(const GapkeeperOrder *order);
void block(GapkeeperMemory memory, GapkeeperMove motion);
void block(GapkeeperMemory memory, GapkeeperMove motion) {{\n{split}}}
void survey_block(GapkeeperMemory memory, GapkeeperLattice stations, int32_t z_um);
void survey_block(GapkeeperMemory memory, GapkeeperLattice stations, int32_t z_um) {{
static GapkeeperKeeper keeper; char text[GAPKEEPER_SCREEN_TEXT_SIZE]; GapkeeperResult result;\n{survey}}}
void fetch_whole_moves_and_take_panel_events(void);
GapkeeperResult steps_block(GapkeeperMemory memory);
GapkeeperResult steps_block(GapkeeperMemory memory) {{ static GapkeeperKeeper keeper; GapkeeperResult result;
{steps}return result; }}
uint8_t read_byte(void *context, uint32_t address, uint8_t *byte);
uint8_t write_byte(void *context, uint32_t address, uint8_t byte);
GapkeeperResult memory_block(void);
GapkeeperResult memory_block(void) {{ GapkeeperMemory memory; GapkeeperResult result;\n{memory}return result; }}
uint8_t read_pin(void *context, uint8_t pin);
void show_panel(uint8_t kind);
void carry_out(const GapkeeperOrder *order);
GapkeeperResult panel_block(void);
GapkeeperResult panel_block(void) {{ static GapkeeperKeeper keeper; static GapkeeperPanel panel;
GapkeeperPanelSettings settings; GapkeeperPanelEvent taken; GapkeeperOrder order; GapkeeperResult result;
{panel}return result; }}\n"
    )
}

#[test]
fn the_code_of_the_readme_compiles() {
    let source = source();
    for compiler in HOST_C.iter().chain(&CROSS_C) {
        compiler.compile_alone(folder(), &source);
    }
}

/// The start of the README with a memory that reads as erased, begun or not as a person says, and with one that fails.
#[test]
fn the_start_in_the_readme_looks_at_what_was_loaded() {
    let program = source() + include_str!("c/readme_start.c");
    let refused = |result: GapkeeperResult| format!("shown {}\nZ 200\n", result as u8);
    // Refused by the person; accepted; there from then on; no answer.
    let expected = "new? 0\n".to_owned()
        + &refused(GapkeeperResult::MemoryBlank)
        + "new? 1\nZ 200\nZ 200\n"
        + &refused(GapkeeperResult::MemoryAccess);
    for compiler in &HOST_C {
        assert_eq!(compiler.output_of_text(folder(), &program).as_deref(), Some(&*expected));
    }
}

#[test]
fn the_macro_for_a_slots_size_is_right() {
    for compiler in &HOST_C {
        let output = compiler.output_of(folder(), &folder().join("tests/c/slot_size.c"));
        assert_eq!(output.as_deref(), Some("compared\n"));
    }
}

#[test]
fn the_sizes_of_the_readme_are_those_of_the_header() {
    let (readme, header) = (read("README.md"), read("include/gapkeeper.h"));
    let kinds = ["Keeper", "Pieces", "Chords", "Panel", "Store"];
    for (name, constant) in kinds.map(|kind| (format!("Gapkeeper{kind}"), kind.to_uppercase())) {
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
