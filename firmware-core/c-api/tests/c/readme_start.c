/* The reader's part of the README's first block, and a memory that is blank, then begun, then gives no answer. */
#include <stdio.h>
#include <string.h>

static uint8_t cells[GAPKEEPER_SLOT_COUNT][GAPKEEPER_SLOT_SIZE(1)];
static uint8_t answer;
static int is_new;

static uint8_t read_cells(void *context, uint32_t slot, uint32_t offset, uint8_t *bytes, size_t length)
{
    (void)context;
    memcpy(bytes, &cells[slot][offset], length);
    return answer;
}

static uint8_t erase_cells(void *context, uint32_t slot)
{
    (void)context;
    (void)slot;
    return GAPKEEPER_MEMORY_ANSWER_DONE;
}

static uint8_t write_cells(void *context, uint32_t slot, uint32_t offset, const uint8_t *bytes, size_t length)
{
    (void)context;
    memcpy(&cells[slot][offset], bytes, length);
    return GAPKEEPER_MEMORY_ANSWER_DONE;
}

void fetch_whole_moves_and_take_panel_events(void) {}

uint8_t read_pin(void *context, uint8_t pin)
{
    (void)context;
    return pin;
}

void carry_out(const GapkeeperOrder *order)
{
    (void)order;
}

void show_panel(uint8_t kind)
{
    (void)kind;
}

uint8_t read_byte(void *context, uint32_t address, uint8_t *byte)
{
    (void)context;
    (void)address;
    (void)byte;
    return 16;
}

uint8_t write_byte(void *context, uint32_t address, uint8_t byte)
{
    (void)context;
    (void)address;
    (void)byte;
    return 16;
}

void queue_straight_motion(GapkeeperPoint end, const int32_t *extra)
{
    (void)extra;
    printf("Z %ld\n", (long)end.z_um);
}

int person_says_that_the_memory_is_new(void)
{
    printf("new? %d\n", is_new);
    return is_new;
}

void show_result(const GapkeeperKeeper *keeper, GapkeeperResult result)
{
    (void)keeper;
    printf("shown %d\n", result);
}

GapkeeperEvent carry_out_and_wait(const GapkeeperOrder *order)
{
    GapkeeperEvent abort = {0, GAPKEEPER_EVENT_KIND_ABORT, 0};

    (void)order;
    return abort;
}

int main(void)
{
    GapkeeperMemory memory = {0, read_cells, erase_cells, write_cells, GAPKEEPER_SLOT_COUNT, GAPKEEPER_SLOT_SIZE(1), 1};
    GapkeeperMove motion = {{0, 0, 200}, {1000, 0, 200}, {0}, {0}};

    memset(cells, 0xFF, sizeof cells);
    block(memory, motion);
    is_new = 1;
    block(memory, motion);
    block(memory, motion);
    answer = 9;
    block(memory, motion);
    return 0;
}
