// The firmware's part of `firmware-core/c-api/examples/survey.cpp`.
#include "gapkeeper.h"
#include "print.h"

void show_number(const char *what, long number);
void show_prompt(const GapkeeperKeeper *keeper);
void show_status(const GapkeeperKeeper *keeper);
void show_result(const GapkeeperKeeper *keeper, GapkeeperResult result);

void show_number(const char *what, long number) { print_named(what, number); }

#ifdef BOARD_WITHOUT_TEXTS

void show_prompt(const GapkeeperKeeper *keeper)
{
    GapkeeperPrompt prompt;
    if (gapkeeper_prompt(keeper, &prompt) == GAPKEEPER_RESULT_OK) {
        print_named("prompt", prompt.kind);
        print_named("visit", prompt.visit);
        print_named("visits", prompt.visits);
        print_named("seconds", prompt.seconds);
        print_named("z_um", prompt.z_um);
        print_named("off_um", prompt.off_um);
        print_named("is_turned", prompt.is_turned);
        print_named("is_hot", prompt.caution.is_hot);
    }
}

void show_status(const GapkeeperKeeper *keeper)
{
    GapkeeperStatus status;
    if (gapkeeper_status(keeper, &status) == GAPKEEPER_RESULT_OK) {
        print_named("choice", status.choice.kind);
        print_named("grid_bed_c", status.grid_bed_c);
        print_named("in_force", status.in_force);
        print_named("unsaved", status.unsaved);
        print_named("setup_known", status.setup_known);
    }
}

void show_result(const GapkeeperKeeper *, GapkeeperResult result) { print_named("result", result); }

#else

namespace {

void show(const char *text)
{
    print_text(text);
    print_text("\n--\n");
}

} // namespace

void show_prompt(const GapkeeperKeeper *keeper)
{
    char text[GAPKEEPER_SCREEN_TEXT_SIZE];
    if (gapkeeper_prompt_text(keeper, text, sizeof text) == GAPKEEPER_RESULT_OK) {
        show(text);
    }
}

void show_status(const GapkeeperKeeper *keeper)
{
    char text[GAPKEEPER_SCREEN_TEXT_SIZE];
    if (gapkeeper_status_text(keeper, text, sizeof text) == GAPKEEPER_RESULT_OK) {
        show(text);
    }
}

void show_result(const GapkeeperKeeper *keeper, GapkeeperResult result)
{
    char text[GAPKEEPER_RESULT_TEXT_SIZE];
    if (gapkeeper_result_text(keeper, result, text, sizeof text) == GAPKEEPER_RESULT_OK) {
        show(text);
    }
}

#endif
