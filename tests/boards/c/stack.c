/* Stack that calls of the C interface take, over a byte EEPROM: what lies below is painted before each and looked at
 * after it. Lines of a name and a number of bytes, too many by less than a hundred. */
#include "gapkeeper.h"
#include "print.h"

uint8_t read_byte(void *context, uint32_t address, uint8_t *byte);
uint8_t write_byte(void *context, uint32_t address, uint8_t byte);

#define PAINT 0xA5
/* Kept clear of paint, for the painter itself. */
#define MARGIN 48

#ifdef __AVR__
extern uint8_t __heap_start[];
#define LOWEST ((uintptr_t)__heap_start)
#define PAINTED 6000
#elif defined(BOARD_IS_HOST)
#define LOWEST 0
#define PAINTED 60000
#else
extern uint8_t stack_lowest[];
#define LOWEST ((uintptr_t)stack_lowest)
#define PAINTED 20000
#endif

static GapkeeperKeeper keeper;
static GapkeeperMemory memory;
static GapkeeperResult result;

static const GapkeeperByteEeprom eeprom = {
    0, read_byte, write_byte, 1024, {1, GAPKEEPER_SLOT_SIZE(1), GAPKEEPER_SLOT_COUNT}};

/* About where the caller's stack ends. */
static __attribute__((noinline)) uintptr_t here(void)
{
    volatile uintptr_t local = 0;

    local = (uintptr_t)&local;
    return local;
}

static __attribute__((noinline)) void measure(const char *name, void (*work)(void))
{
    const uintptr_t top = here();
    const uintptr_t bottom = top - PAINTED > LOWEST && top > PAINTED ? top - PAINTED : LOWEST;
    uintptr_t at;

    for (at = bottom; at < top - MARGIN; at++) {
        *(volatile uint8_t *)at = PAINT;
    }
    work();
    at = bottom;
    while (at < top && *(volatile uint8_t *)at == PAINT) {
        at++;
    }
    print_named(name, (long)(top - at));
    if (result != GAPKEEPER_RESULT_OK || at == bottom) {
        print_named("failed", result);
        board_end(0);
    }
}

static void init(void)
{
    GapkeeperSettings settings;

    gapkeeper_settings_default(&settings);
    result = gapkeeper_init(&keeper, sizeof keeper, &settings);
}

static void begin_memory(void)
{
    GapkeeperLoadReport report;

    result = gapkeeper_begin_memory(&keeper, &memory, &report);
}

static void load(void)
{
    GapkeeperLoadReport report;

    result = gapkeeper_load(&keeper, &memory, &report);
}

static void homed(void)
{
    GapkeeperChoice choice;

    result = gapkeeper_homed(&keeper, &choice);
}

static void set_grid(void)
{
    static const int16_t heights_um[9] = {0, 150, 0, 150, 300, 150, 0, 150, 0};
    static const GapkeeperGrid grid = {
        {20000, 20000, 90000, 80000, 3, 3}, {0, 0}, 20, 0, GAPKEEPER_SURFACE_REFINED, 0, 0};

    result = gapkeeper_set_grid(&keeper, &grid, heights_um, 9);
}

static void save(void)
{
    GapkeeperSaveReport report;

    result = gapkeeper_save(&keeper, &memory, &report);
}

static void begin_survey(void)
{
    static const GapkeeperLattice stations = {20000, 20000, 90000, 80000, 3, 3};
    GapkeeperSurveySettings settings;
    GapkeeperOrder order;

    gapkeeper_survey_settings_default(&settings);
    result = gapkeeper_survey_begin(&keeper, &stations, &settings, 5000, &order);
}

int main(void)
{
    measure("stack_c_init", init);
    result = gapkeeper_byte_eeprom(&eeprom, &memory);
    measure("stack_c_begin_memory", begin_memory);
    homed();
    measure("stack_c_set_grid", set_grid);
    measure("stack_c_save", save);
    init();
    measure("stack_c_load", load);
    measure("stack_c_homed", homed);
    measure("stack_c_survey_begin", begin_survey);
    return 0;
}
