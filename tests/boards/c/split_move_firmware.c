/* The firmware's part of `firmware-core/c-api/examples/split_move.c`. */
#include "gapkeeper.h"
#include "print.h"

void queue_straight_motion(const GapkeeperPiece *piece);
void show(const char *text);
void show_result(const GapkeeperKeeper *keeper, GapkeeperResult result);

void queue_straight_motion(const GapkeeperPiece *piece)
{
    print_text("X ");
    print_number(piece->end.x_um);
    print_text(" Y ");
    print_number(piece->end.y_um);
    print_text(" Z ");
    print_number(piece->end.z_um);
    print_text(" E ");
    print_number(piece->extra[0]);
    print_text("\n");
}

void show(const char *text)
{
    print_text(text);
    print_text("\n");
}

#ifdef BOARD_WITHOUT_TEXTS
void show_result(const GapkeeperKeeper *keeper, GapkeeperResult result)
{
    (void)keeper;
    print_named("result", result);
}
#else
void show_result(const GapkeeperKeeper *keeper, GapkeeperResult result)
{
    char text[GAPKEEPER_RESULT_TEXT_SIZE];

    if (gapkeeper_result_text(keeper, result, text, sizeof text) == GAPKEEPER_RESULT_OK) {
        show(text);
    }
}
#endif
