/* Keeps the grid of a bed that is high in the middle in a byte EEPROM, starts again, and splits straight moves and an arc
 * over it. Prints the pieces.
 *
 *     cc -std=c99 -I include examples/split_move.c libgapkeeper_c_api.a -lpthread -ldl -lm -o split_move
 */
#include "gapkeeper.h"

#if defined(__STDC_HOSTED__) && __STDC_HOSTED__ == 1
#include <stdio.h>

static void queue_straight_motion(const GapkeeperPiece *piece)
{
    printf("X %ld Y %ld Z %ld E %ld\n", (long)piece->end.x_um, (long)piece->end.y_um, (long)piece->end.z_um,
           (long)piece->extra[0]);
}

static void show(const char *text)
{
    printf("%s\n", text);
}

static void show_result(const GapkeeperKeeper *keeper, GapkeeperResult result)
{
    char text[GAPKEEPER_RESULT_TEXT_SIZE];

    if (gapkeeper_result_text(keeper, result, text, sizeof text) == GAPKEEPER_RESULT_OK) {
        show(text);
    }
}

/* An EEPROM of 1 KiB, kept inverted: a new part holds ones. */
static uint8_t cells[1024];

static uint8_t read_byte(void *context, uint32_t address, uint8_t *byte)
{
    (void)context;
    *byte = (uint8_t)~cells[address];
    return GAPKEEPER_MEMORY_ANSWER_DONE;
}

static uint8_t write_byte(void *context, uint32_t address, uint8_t byte)
{
    (void)context;
    cells[address] = (uint8_t)~byte;
    return GAPKEEPER_MEMORY_ANSWER_DONE;
}
#else
/* The firmware's own. */
uint8_t read_byte(void *context, uint32_t address, uint8_t *byte);
uint8_t write_byte(void *context, uint32_t address, uint8_t byte);
void queue_straight_motion(const GapkeeperPiece *piece);
void show(const char *text);
void show_result(const GapkeeperKeeper *keeper, GapkeeperResult result);
#endif

/* The caller owns all storage. */
static GapkeeperKeeper keeper;
static GapkeeperPieces pieces;
static GapkeeperChords chords;

/* What scaling E leaves over, for as long as this program runs. */
static GapkeeperFlow flow;

/* Where the slots lie in the EEPROM; its first byte is not used. */
static const GapkeeperByteEeprom eeprom = {
    0, read_byte, write_byte, 1024, {1, GAPKEEPER_SLOT_SIZE(1), GAPKEEPER_SLOT_COUNT}};
static GapkeeperMemory memory;

/* Loads what is stored. A failure is shown, and moves go on uncorrected. */
static void load(void)
{
    GapkeeperLoadReport report;
    GapkeeperResult result = gapkeeper_load(&keeper, &memory, &report);

    if (result == GAPKEEPER_RESULT_MEMORY_BLANK) {
        /* Ask a person here: a memory that does not answer reads like a new one. This one is new. */
        show("new memory");
        result = gapkeeper_begin_memory(&keeper, &memory, &report);
    }
    if (result == GAPKEEPER_RESULT_OK) {
        show(report.grids == 0 ? "no grid" : "grid loaded");
    } else {
        show_result(&keeper, result);
    }
}

/* What a firmware does after every reset: begin, load, home. */
static GapkeeperResult start(void)
{
    static const GapkeeperTemperature warm = {0, 60, 150};
    GapkeeperSettings settings;
    GapkeeperOrder order;
    GapkeeperChoice choice;
    GapkeeperResult result = gapkeeper_settings_default(&settings);

    if (result == GAPKEEPER_RESULT_OK) {
        result = gapkeeper_init(&keeper, sizeof keeper, &settings);
    }
    if (result == GAPKEEPER_RESULT_OK) {
        result = gapkeeper_byte_eeprom(&eeprom, &memory);
    }
    if (result == GAPKEEPER_RESULT_OK) {
        load();
        result = gapkeeper_temperature(&keeper, &warm, &order);
    }
    if (result == GAPKEEPER_RESULT_OK) {
        result = gapkeeper_homed(&keeper, &choice);
    }
    return result;
}

/* Takes a grid of 3 by 3 stations that is 0.3 mm high in the middle, and saves it. */
static GapkeeperResult keep_grid(void)
{
    static const int16_t heights_um[9] = {0, 150, 0, 150, 300, 150, 0, 150, 0};
    GapkeeperSaveReport report;
    GapkeeperGrid grid;
    GapkeeperResult result;

    grid.lattice.x0_um = 20000;
    grid.lattice.y0_um = 20000;
    grid.lattice.pitch_x_um = 90000;
    grid.lattice.pitch_y_um = 80000;
    grid.lattice.columns = 3;
    grid.lattice.rows = 3;
    grid.fade.full_below_um = 400;
    grid.fade.zero_above_um = 8000;
    grid.bed_temperature_c = 60;
    grid.shift_um = 0;
    grid.surface = GAPKEEPER_SURFACE_REFINED;
    grid.ties = 0; /* a whole survey */
    grid.tie_residual_um = 0;
    result = gapkeeper_set_grid(&keeper, &grid, heights_um, 9);
    if (result == GAPKEEPER_RESULT_OK) {
        result = gapkeeper_save(&keeper, &memory, &report);
    }
    return result;
}

/* One straight move, piece by piece; with E scaled by the thickness that is laid, if that is wanted. */
static GapkeeperResult line(const GapkeeperMove *motion, int scaled)
{
    GapkeeperPiece piece;
    GapkeeperResult result = gapkeeper_line_begin(&pieces, sizeof pieces, &keeper, motion);

    while (result == GAPKEEPER_RESULT_OK) {
        result = scaled ? gapkeeper_piece_next_scaled(&pieces, &keeper, &flow, &piece)
                        : gapkeeper_piece_next(&pieces, &keeper, &piece);
        if (result == GAPKEEPER_RESULT_OK) {
            queue_straight_motion(&piece);
        }
    }
    return result == GAPKEEPER_RESULT_END ? GAPKEEPER_RESULT_OK : result;
}

/* One arc, chord by chord, each chord piece by piece. */
static GapkeeperResult arc(const GapkeeperArc *path)
{
    GapkeeperMove chord;
    GapkeeperResult result = gapkeeper_arc_begin(&chords, sizeof chords, &keeper, path);

    while (result == GAPKEEPER_RESULT_OK) {
        result = gapkeeper_chord_next(&chords, &chord);
        if (result == GAPKEEPER_RESULT_OK) {
            result = line(&chord, 0);
        }
    }
    return result == GAPKEEPER_RESULT_END ? GAPKEEPER_RESULT_OK : result;
}

static GapkeeperResult example(void)
{
    GapkeeperMove motion = {{20000, 20000, 200}, {200000, 180000, 200}, {0}, {8011}};
    GapkeeperArc path = {{{60000, 60000, 200}, {160000, 60000, 600}, {0}, {5000}}, 50000, 0, 0, 50, 0, 0};
    GapkeeperResult result = start();

    if (result == GAPKEEPER_RESULT_OK) {
        result = keep_grid();
    }
    /* As if power had failed: only the EEPROM still knows the grid. */
    if (result == GAPKEEPER_RESULT_OK) {
        result = start();
    }
    if (result == GAPKEEPER_RESULT_OK) {
        show("line");
        result = line(&motion, 0);
    }
    path.plane = GAPKEEPER_PLANE_XY;
    path.turn = GAPKEEPER_TURN_CLOCKWISE;
    if (result == GAPKEEPER_RESULT_OK) {
        show("arc");
        result = arc(&path);
    }
    /* The same way down through the fade. */
    motion.start.z_um = 4000;
    motion.end.z_um = 200;
    if (result == GAPKEEPER_RESULT_OK) {
        show("scaled");
        result = line(&motion, 1);
    }
    return result;
}

int main(void)
{
    GapkeeperResult result = example();

    show_result(&keeper, result);
    return result == GAPKEEPER_RESULT_OK ? 0 : 1;
}
