// A whole survey, by a machine that measures a bed given as a function; the grid that comes of it is saved in an EEPROM on
// I2C, step by step while somebody turns the knob, and loaded again after a restart.
//
//     c++ -std=c++11 -I include examples/survey.cpp libgapkeeper_c_api.a -lpthread -ldl -lm -o survey
#include "gapkeeper.h"

#if defined(__STDC_HOSTED__) && __STDC_HOSTED__ == 1
#include <cstdio>

namespace {

void show_number(const char *what, long number) { std::printf("%s %ld\n", what, number); }

void show_prompt(const GapkeeperKeeper *keeper)
{
    char text[GAPKEEPER_SCREEN_TEXT_SIZE];
    if (gapkeeper_prompt_text(keeper, text, sizeof text) == GAPKEEPER_RESULT_OK) {
        std::printf("%s\n--\n", text);
    }
}

void show_status(const GapkeeperKeeper *keeper)
{
    char text[GAPKEEPER_SCREEN_TEXT_SIZE];
    if (gapkeeper_status_text(keeper, text, sizeof text) == GAPKEEPER_RESULT_OK) {
        std::printf("%s\n--\n", text);
    }
}

void show_result(const GapkeeperKeeper *keeper, GapkeeperResult result)
{
    char text[GAPKEEPER_RESULT_TEXT_SIZE];
    if (gapkeeper_result_text(keeper, result, text, sizeof text) == GAPKEEPER_RESULT_OK) {
        std::printf("%s\n--\n", text);
    }
}

} // namespace
#else
// The firmware's own.
void show_number(const char *what, long number);
void show_prompt(const GapkeeperKeeper *keeper);
void show_status(const GapkeeperKeeper *keeper);
void show_result(const GapkeeperKeeper *keeper, GapkeeperResult result);
#endif

namespace {

const int32_t FEELER_UM = 100;

// A bed that is low at the left, high at the right and bows up by 0.2 mm across the middle.
int32_t bed_um(int32_t x_um, int32_t y_um)
{
    const int32_t from_middle_mm = (y_um - 100000) / 1000;
    return (x_um - 110000) / 500 + 200 - from_middle_mm * from_middle_mm / 32;
}

// An EEPROM on an I2C bus, as its data sheet says: pages, and no answer while it writes one.
class Part {
public:
    static const uint32_t PAGE = 16;
    static const uint32_t SLOT = GAPKEEPER_SLOT_SIZE(PAGE);
    // Its first page is not used.
    static const uint32_t CAPACITY = PAGE + SLOT * GAPKEEPER_SLOT_COUNT;

    uint8_t write(const uint8_t *bytes, size_t length)
    {
        if (is_writing_) {
            is_writing_ = false;
            return GAPKEEPER_MEMORY_ANSWER_NO_ANSWER;
        }
        const uint32_t address = address_of(bytes);
        for (size_t at = 2; at < length; ++at) {
            // Beyond the end of a page it goes on at its beginning.
            cells_[address / PAGE * PAGE + (address + at - 2) % PAGE] = static_cast<uint8_t>(~bytes[at]);
            is_writing_ = true;
        }
        return GAPKEEPER_MEMORY_ANSWER_DONE;
    }

    uint8_t read(const uint8_t *sent, uint8_t *bytes, size_t length)
    {
        if (is_writing_) {
            is_writing_ = false;
            return GAPKEEPER_MEMORY_ANSWER_NO_ANSWER;
        }
        for (size_t at = 0; at < length; ++at) {
            bytes[at] = static_cast<uint8_t>(~cells_[address_of(sent) + at]);
        }
        return GAPKEEPER_MEMORY_ANSWER_DONE;
    }

private:
    static uint32_t address_of(const uint8_t *sent) { return static_cast<uint32_t>(sent[0] * 256 + sent[1]); }

    // Inverted: a new part holds ones.
    uint8_t cells_[CAPACITY];
    bool is_writing_;
};

extern "C" {

uint8_t bus_write(void *context, uint8_t, const uint8_t *bytes, size_t length)
{
    return static_cast<Part *>(context)->write(bytes, length);
}

uint8_t bus_write_read(void *context, uint8_t, const uint8_t *sent, size_t, uint8_t *bytes, size_t length)
{
    return static_cast<Part *>(context)->read(sent, bytes, length);
}

void bus_delay_us(void *, uint32_t) {}

}

// What stays when power is off.
Part part;

const GapkeeperI2cEeprom eeprom = {
    &part, bus_write, bus_write_read, bus_delay_us, Part::CAPACITY, Part::PAGE, 1000,
    {Part::PAGE, Part::SLOT, GAPKEEPER_SLOT_COUNT}, 10, 0x50, 2};

extern "C" uint8_t panel_pin(void *context, uint8_t pin);

// A panel whose knob is turned by three clicks after it has stood still; nobody presses, and the limit switch is free.
class Panel {
public:
    GapkeeperResult init()
    {
        GapkeeperPanelSettings settings;
        gapkeeper_panel_settings_default(&settings);
        settings.context = this;
        settings.read_pin = panel_pin;
        const GapkeeperResult result = gapkeeper_panel_init(&storage_, sizeof storage_, &settings);
        pass(STANDS_MS);
        return result;
    }

    // What a timer's interrupt does each millisecond.
    void pass(uint32_t ms)
    {
        for (; ms > 0; --ms) {
            now_ms_ += 1;
            gapkeeper_panel_poll(&storage_, now_ms_);
        }
    }

    // What waits for the main loop.
    long detents()
    {
        long detents = 0;
        GapkeeperPanelEvent taken;
        while (gapkeeper_panel_take(&storage_, &taken) == GAPKEEPER_RESULT_OK) {
            detents += taken.event.detents;
        }
        return detents;
    }

    uint8_t level(uint8_t pin) const
    {
        const uint32_t turned_ms = now_ms_ - STANDS_MS;
        const uint32_t quarter = now_ms_ > STANDS_MS && turned_ms < 3 * CLICK_MS ? turned_ms * 4 / CLICK_MS % 4 : 0;
        switch (pin) {
        case GAPKEEPER_PIN_KNOB_A:
            return quarter == 1 || quarter == 2;
        case GAPKEEPER_PIN_KNOB_B:
            return quarter == 2 || quarter == 3;
        default:
            return pin == GAPKEEPER_PIN_BUTTON;
        }
    }

private:
    static const uint32_t STANDS_MS = 1100;
    static const uint32_t CLICK_MS = 20;

    GapkeeperPanel storage_;
    uint32_t now_ms_ = 0;
};

extern "C" uint8_t panel_pin(void *context, uint8_t pin) { return static_cast<const Panel *>(context)->level(pin); }

// A keeper that owns its storage, and its memory.
class Keeper {
public:
    // What a firmware does after every reset: begin, load.
    explicit Keeper(const GapkeeperSettings &settings) : result_(gapkeeper_init(&storage_, sizeof storage_, &settings))
    {
        if (check(gapkeeper_i2c_eeprom(&eeprom, &memory_))) {
            load();
        }
    }

    GapkeeperKeeper *storage() { return &storage_; }

    bool is_ok() const { return result_ == GAPKEEPER_RESULT_OK; }

    // Remembers the first refusal.
    bool check(GapkeeperResult result)
    {
        if (is_ok()) {
            result_ = result;
        }
        return is_ok();
    }

    // One access to the memory in each step, and the main loop goes on in between.
    bool save(Panel &panel)
    {
        if (!check(gapkeeper_store_begin(&store_, sizeof store_, &memory_))) {
            return false;
        }
        GapkeeperResult step = GAPKEEPER_RESULT_OK;
        while (step == GAPKEEPER_RESULT_OK) {
            step = gapkeeper_save_step(&storage_, &store_);
            panel.pass(5);
        }
        return check(step == GAPKEEPER_RESULT_END ? GAPKEEPER_RESULT_OK : step);
    }

    GapkeeperResult result() const { return result_; }

private:
    // A failure is shown, and moves go on uncorrected.
    void load()
    {
        GapkeeperLoadReport report;
        GapkeeperResult loaded = gapkeeper_load(&storage_, &memory_, &report);
        if (loaded == GAPKEEPER_RESULT_MEMORY_BLANK) {
            // Ask a person here: a memory that does not answer reads like a new one. This one is new.
            loaded = gapkeeper_begin_memory(&storage_, &memory_, &report);
        }
        if (loaded == GAPKEEPER_RESULT_OK) {
            show_number("grids loaded", report.grids);
        } else {
            show_result(&storage_, loaded);
        }
    }

    GapkeeperKeeper storage_;
    GapkeeperMemory memory_;
    GapkeeperStore store_;
    GapkeeperResult result_;
};

// Carries out orders and says what happened, as a person at the knob would.
class Machine {
public:
    // Does what is ordered, and says what happens then: it has arrived, or, where it has to wait, a person does what the
    // prompt asks for.
    GapkeeperEvent carry_out(const GapkeeperOrder &order, const GapkeeperPrompt &prompt)
    {
        GapkeeperEvent event = {0, GAPKEEPER_EVENT_KIND_ARRIVED, 0};
        switch (order.kind) {
        case GAPKEEPER_ORDER_KIND_STOP:
            break;
        case GAPKEEPER_ORDER_KIND_TRAVEL:
            x_um_ = order.x_um;
            y_um_ = order.y_um;
            break;
        case GAPKEEPER_ORDER_KIND_LIFT:
        case GAPKEEPER_ORDER_KIND_APPROACH:
        case GAPKEEPER_ORDER_KIND_STEP:
            z_um_ = order.z_um;
            break;
        default:
            event = answer(prompt);
            break;
        }
        return event;
    }

    int32_t z_um() const { return z_um_; }

private:
    GapkeeperEvent answer(const GapkeeperPrompt &prompt) const
    {
        const bool sets_gap =
            prompt.kind == GAPKEEPER_PROMPT_KIND_SET_GAP || prompt.kind == GAPKEEPER_PROMPT_KIND_LOOK_AGAIN;
        if (sets_gap && !prompt.is_turned) {
            // To where the feeler drags.
            const int32_t detents = bed_um(x_um_, y_um_) + FEELER_UM - z_um_;
            return {static_cast<int16_t>(detents), GAPKEEPER_EVENT_KIND_TURNED, 0};
        }
        return {0, GAPKEEPER_EVENT_KIND_PRESSED, 0};
    }

    int32_t x_um_ = 0;
    int32_t y_um_ = 0;
    int32_t z_um_ = 5000;
};

bool survey(Keeper &keeper)
{
    Machine machine;
    GapkeeperSurveySettings settings;
    const GapkeeperLattice stations = {20000, 20000, 60000, 80000, 4, 3};
    const GapkeeperTemperature warm[2] = {{0, 60, 150}, {30, 60, 150}};
    GapkeeperOrder order;

    keeper.check(gapkeeper_survey_settings_default(&settings));
    settings.bed_temperature_c = 60;
    settings.nozzle_temperature_c = 150;
    settings.soak_s = 30;
    settings.detent_um = 1;
    // This machine knows its bed and turns straight to the gap.
    settings.coarse_um = 0;
    keeper.check(gapkeeper_survey_begin(keeper.storage(), &stations, &settings, machine.z_um(), &order));
    for (const GapkeeperTemperature &temperature : warm) {
        show_prompt(keeper.storage());
        keeper.check(gapkeeper_temperature(keeper.storage(), &temperature, &order));
    }
    while (keeper.is_ok() && order.kind != GAPKEEPER_ORDER_KIND_DONE && order.kind != GAPKEEPER_ORDER_KIND_ABORTED) {
        GapkeeperPrompt prompt;
        if (order.kind == GAPKEEPER_ORDER_KIND_WAIT) {
            show_prompt(keeper.storage());
        }
        if (keeper.check(gapkeeper_prompt(keeper.storage(), &prompt))) {
            const GapkeeperEvent event = machine.carry_out(order, prompt);
            keeper.check(gapkeeper_survey_event(keeper.storage(), &event, &order));
        }
    }
    return keeper.is_ok() && order.kind == GAPKEEPER_ORDER_KIND_DONE;
}

void show_grid(Keeper &keeper)
{
    GapkeeperGrid grid;
    int16_t heights_um[GAPKEEPER_STATIONS];
    if (keeper.check(gapkeeper_grid(keeper.storage(), 0, &grid, heights_um, GAPKEEPER_STATIONS))) {
        for (int node = 0; node < grid.lattice.columns * grid.lattice.rows; ++node) {
            show_number("height_um", heights_um[node]);
        }
        show_number("surface", grid.surface);
    }
}

// Homes, measures, and saves.
GapkeeperResult measure(const GapkeeperSettings &settings)
{
    Keeper keeper(settings);
    GapkeeperChoice choice;
    Panel panel;
    if (keeper.check(panel.init()) && keeper.check(gapkeeper_homed(keeper.storage(), &choice)) && survey(keeper)) {
        show_status(keeper.storage());
        keeper.save(panel);
        show_number("detents turned meanwhile", panel.detents());
    }
    show_result(keeper.storage(), keeper.result());
    return keeper.result();
}

// After a restart the grid is in force as soon as the bed is warm and the axes are homed.
GapkeeperResult restart(const GapkeeperSettings &settings)
{
    const GapkeeperTemperature warm = {0, 60, 150};
    Keeper keeper(settings);
    GapkeeperOrder order;
    GapkeeperChoice choice;
    if (keeper.check(gapkeeper_temperature(keeper.storage(), &warm, &order))
        && keeper.check(gapkeeper_homed(keeper.storage(), &choice))) {
        show_grid(keeper);
        show_status(keeper.storage());
    }
    show_result(keeper.storage(), keeper.result());
    return keeper.result();
}

} // namespace

int main()
{
    GapkeeperSettings settings;
    if (gapkeeper_abi_version() != GAPKEEPER_ABI_VERSION
        || gapkeeper_settings_default(&settings) != GAPKEEPER_RESULT_OK) {
        return 2;
    }
    const bool is_well = measure(settings) == GAPKEEPER_RESULT_OK && restart(settings) == GAPKEEPER_RESULT_OK;
    return is_well ? 0 : 1;
}
