/* Linked to be weighed, never run: a keeper that is homed and splits moves. */
#include "board.h"
#include "gapkeeper.h"

static GapkeeperKeeper keeper;
static GapkeeperPieces pieces;

int main(void)
{
    GapkeeperSettings settings;
    GapkeeperChoice choice;
    GapkeeperMove motion = {{0, 0, 0}, {0, 0, 0}, {0}, {0}};
    GapkeeperPiece piece;

    board_write(0);
    gapkeeper_settings_default(&settings);
    gapkeeper_init(&keeper, sizeof keeper, &settings);
    gapkeeper_homed(&keeper, &choice);
    if (gapkeeper_line_begin(&pieces, sizeof pieces, &keeper, &motion) == GAPKEEPER_RESULT_OK) {
        while (gapkeeper_piece_next(&pieces, &keeper, &piece) == GAPKEEPER_RESULT_OK) {
            board_write((char)piece.end.z_um);
        }
    }
    return 0;
}
