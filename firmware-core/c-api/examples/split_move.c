/* Splits straight moves and an arc over a bed that is high in the middle, and prints the pieces.
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
#else
/* The firmware's own. */
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

/* Begins, homes, and takes a grid of 3 by 3 stations that is 0.3 mm high in the middle. */
static GapkeeperResult set_up(void)
{
    static const int16_t heights_um[9] = {0, 150, 0, 150, 300, 150, 0, 150, 0};
    GapkeeperSettings settings;
    GapkeeperChoice choice;
    GapkeeperGrid grid;
    GapkeeperResult result = gapkeeper_settings_default(&settings);

    if (result == GAPKEEPER_RESULT_OK) {
        result = gapkeeper_init_without_memory(&keeper, sizeof keeper, &settings);
    }
    if (result == GAPKEEPER_RESULT_OK) {
        result = gapkeeper_homed(&keeper, &choice);
    }
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
    if (result == GAPKEEPER_RESULT_OK) {
        result = gapkeeper_set_grid(&keeper, &grid, heights_um, 9);
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
    GapkeeperResult result = set_up();

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
