/* Gapkeeper: bed-surface compensation. Made by cbindgen from the Rust sources; see README.md. Do not edit. */
/* SPDX-License-Identifier: MIT */

#ifndef GAPKEEPER_H
#define GAPKEEPER_H

#include <stddef.h>
#include <stdint.h>

#if UINTPTR_MAX <= 0xFFFF
#define GAPKEEPER_POINTER_16
#elif UINTPTR_MAX <= 0xFFFFFFFF
#define GAPKEEPER_POINTER_32
#else
#define GAPKEEPER_POINTER_64
#endif
#if defined(__AVR__)
#define GAPKEEPER_AVR
#endif

/* Bytes that a slot must have in a memory that puts `unit` bytes at risk together; gapkeeper_slot_size as a constant. */
#define GAPKEEPER_SLOT_SIZE(unit) \
    (GAPKEEPER_IN_UNITS(GAPKEEPER_RECORD_SIZE, unit) + 2 * GAPKEEPER_IN_UNITS(GAPKEEPER_SEAL_SIZE, unit))
#define GAPKEEPER_IN_UNITS(bytes, unit) (((uint32_t)(bytes) + (unit) - 1) / (unit) * (unit))

/*
 Version of this interface: raised when anything in the header changes its meaning, its size or goes away.
 */
#define GAPKEEPER_ABI_VERSION 5

/*
 Most stations of a survey, and most nodes of a grid that is set directly.
 */
#define GAPKEEPER_STATIONS 25

/*
 Most nodes of the grid in force: 16 by 16, the densest.
 */
#define GAPKEEPER_NODES 256

/*
 Grids that are remembered, for different bed temperatures.
 */
#define GAPKEEPER_GRIDS 3

/*
 Axes besides X, Y and Z that ride along, such as E.
 */
#define GAPKEEPER_EXTRA_AXES 1

/*
 Most screws of a bed.
 */
#define GAPKEEPER_SCREWS 8

/*
 Slots for the setup and for all grids.
 */
#define GAPKEEPER_SLOT_COUNT 8

/*
 Bytes of the longest record. A slot holds it, and after it two seals of `GAPKEEPER_SEAL_SIZE` bytes, each of the three
 rounded up to whole units: `GAPKEEPER_SLOT_SIZE(unit)`.
 */
#define GAPKEEPER_RECORD_SIZE 112

/*
 Bytes of a seal.
 */
#define GAPKEEPER_SEAL_SIZE 4

/*
 Bytes for any status or prompt: four lines of twenty characters.
 */
#define GAPKEEPER_SCREEN_TEXT_SIZE 84

/*
 Bytes for the text of any result or choice.
 */
#define GAPKEEPER_RESULT_TEXT_SIZE 192

#if defined(GAPKEEPER_POINTER_16)
/*
 Words of 64 bits in a keeper's storage.
 */
#define GAPKEEPER_KEEPER_WORDS 176
#endif

#if defined(GAPKEEPER_POINTER_32)
/*
 Words of 64 bits in a keeper's storage.
 */
#define GAPKEEPER_KEEPER_WORDS 192
#endif

#if defined(GAPKEEPER_POINTER_64)
/*
 Words of 64 bits in a keeper's storage.
 */
#define GAPKEEPER_KEEPER_WORDS 208
#endif

#if defined(GAPKEEPER_POINTER_16)
/*
 Words of 64 bits in the storage of a move's pieces.
 */
#define GAPKEEPER_PIECES_WORDS 18
#endif

#if defined(GAPKEEPER_POINTER_32)
/*
 Words of 64 bits in the storage of a move's pieces.
 */
#define GAPKEEPER_PIECES_WORDS 20
#endif

#if defined(GAPKEEPER_POINTER_64)
/*
 Words of 64 bits in the storage of a move's pieces.
 */
#define GAPKEEPER_PIECES_WORDS 24
#endif

/*
 Words of 64 bits in the storage of an arc's chords.
 */
#define GAPKEEPER_CHORDS_WORDS 16

#if defined(GAPKEEPER_POINTER_16)
/*
 Words of 64 bits in a panel's storage.
 */
#define GAPKEEPER_PANEL_WORDS 16
#endif

#if defined(GAPKEEPER_POINTER_32)
/*
 Words of 64 bits in a panel's storage.
 */
#define GAPKEEPER_PANEL_WORDS 20
#endif

#if defined(GAPKEEPER_POINTER_64)
/*
 Words of 64 bits in a panel's storage.
 */
#define GAPKEEPER_PANEL_WORDS 28
#endif

#if defined(GAPKEEPER_POINTER_16)
/*
 Words of 64 bits in a store's storage.
 */
#define GAPKEEPER_STORE_WORDS 44
#endif

#if defined(GAPKEEPER_POINTER_32)
/*
 Words of 64 bits in a store's storage.
 */
#define GAPKEEPER_STORE_WORDS 48
#endif

#if defined(GAPKEEPER_POINTER_64)
/*
 Words of 64 bits in a store's storage.
 */
#define GAPKEEPER_STORE_WORDS 56
#endif

/*
 Bytes of a keeper's storage.
 */
#define GAPKEEPER_KEEPER_SIZE (GAPKEEPER_KEEPER_WORDS * 8)

/*
 Bytes of the storage of a move's pieces.
 */
#define GAPKEEPER_PIECES_SIZE (GAPKEEPER_PIECES_WORDS * 8)

/*
 Bytes of the storage of an arc's chords.
 */
#define GAPKEEPER_CHORDS_SIZE (GAPKEEPER_CHORDS_WORDS * 8)

/*
 Bytes of a panel's storage.
 */
#define GAPKEEPER_PANEL_SIZE (GAPKEEPER_PANEL_WORDS * 8)

/*
 Bytes of a store's storage.
 */
#define GAPKEEPER_STORE_SIZE (GAPKEEPER_STORE_WORDS * 8)

#if defined(GAPKEEPER_AVR)
/*
 The storage's address is a multiple of this.
 */
#define GAPKEEPER_STORAGE_ALIGNMENT 1
#endif

#if !defined(GAPKEEPER_AVR)
/*
 The storage's address is a multiple of this.
 */
#define GAPKEEPER_STORAGE_ALIGNMENT 8
#endif

/*
 How a call went. Everything but `OK`, `END` and `TRUNCATED` means that nothing was done, with two exceptions that say
 so: `gapkeeper_load` and `gapkeeper_begin_memory`, `gapkeeper_save` and `gapkeeper_save_step`.
 */
enum GapkeeperResult
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  /*
   Done.
   */
  GAPKEEPER_RESULT_OK = 0,
  /*
   No more pieces, chords or events; nothing left to save.
   */
  GAPKEEPER_RESULT_END = 1,
  /*
   The text is longer than the buffer; as much as fits is there, with a terminating zero.
   */
  GAPKEEPER_RESULT_TRUNCATED = 2,
  /*
   A pointer is null.
   */
  GAPKEEPER_RESULT_NULL_POINTER = 3,
  /*
   A size or count does not fit: another header than the library's, a text buffer of no bytes, an array too small.
   */
  GAPKEEPER_RESULT_WRONG_SIZE = 4,
  /*
   A pointer is not aligned as its type is.
   */
  GAPKEEPER_RESULT_MISALIGNED = 5,
  /*
   The storage was not initialised, or its beginning failed.
   */
  GAPKEEPER_RESULT_NOT_INITIALISED = 6,
  /*
   The keeper is at work: a memory function called it.
   */
  GAPKEEPER_RESULT_BUSY = 7,
  /*
   The keeper was changed or is another one than at the beginning of the move: begin it again from where it stands.
   */
  GAPKEEPER_RESULT_CHANGED = 8,
  /*
   A number for a kind is not one of those in the header.
   */
  GAPKEEPER_RESULT_UNKNOWN_KIND = 9,
  /*
   Before homing no position means anything.
   */
  GAPKEEPER_RESULT_NOT_HOMED = 10,
  /*
   Before the memory was read nothing is measured, taken in or saved.
   */
  GAPKEEPER_RESULT_NOT_LOADED = 11,
  /*
   While a survey moves the axes nothing else may.
   */
  GAPKEEPER_RESULT_SURVEY_UNDER_WAY = 12,
  /*
   No survey is under way.
   */
  GAPKEEPER_RESULT_NO_SURVEY = 13,
  /*
   No grid is in force, or there is none at this place.
   */
  GAPKEEPER_RESULT_NO_GRID = 14,
  /*
   The tolerance is out of range.
   */
  GAPKEEPER_RESULT_TOLERANCE = 15,
  /*
   A piece would end below the lowest machine height allowed.
   */
  GAPKEEPER_RESULT_BELOW_LOWEST = 16,
  /*
   There is no such arc.
   */
  GAPKEEPER_RESULT_ARC = 17,
  /*
   There is no such grid, or the plan's stations make none.
   */
  GAPKEEPER_RESULT_GRID = 18,
  /*
   The grid cannot be put in force.
   */
  GAPKEEPER_RESULT_UNUSABLE = 19,
  /*
   There is no such fade.
   */
  GAPKEEPER_RESULT_FADE = 20,
  /*
   The keeper's settings: a tolerance of nothing.
   */
  GAPKEEPER_RESULT_SETTINGS_TOLERANCE = 21,
  /*
   The keeper's settings: a shift step of nothing.
   */
  GAPKEEPER_RESULT_SETTINGS_SHIFT_STEP = 22,
  /*
   The panel's settings: a knob that is never steady.
   */
  GAPKEEPER_RESULT_SETTINGS_STEADY = 23,
  /*
   No survey could keep to its settings.
   */
  GAPKEEPER_RESULT_SURVEY_SETTINGS = 24,
  /*
   Loading: something measured or told is not saved yet and would be lost.
   */
  GAPKEEPER_RESULT_UNSAVED = 25,
  /*
   The keeper was made to work without memory.
   */
  GAPKEEPER_RESULT_WITHOUT_MEMORY = 26,
  /*
   Loading: nothing was ever stored here, or the memory does not answer and reads as if it were erased.
   */
  GAPKEEPER_RESULT_MEMORY_BLANK = 27,
  /*
   Loading: there are bytes, but none that say which setup holds.
   */
  GAPKEEPER_RESULT_MEMORY_UNEXPECTED = 28,
  /*
   The memory's slots are too few or too small.
   */
  GAPKEEPER_RESULT_MEMORY_SIZE = 29,
  /*
   The slots of an EEPROM begin at address 0.
   */
  GAPKEEPER_RESULT_MEMORY_ADDRESS_ZERO = 30,
  /*
   First address or slot size is no multiple of the page or erase unit.
   */
  GAPKEEPER_RESULT_MEMORY_ALIGNMENT = 31,
  /*
   The slots do not fit the memory.
   */
  GAPKEEPER_RESULT_MEMORY_TOO_SHORT = 32,
  /*
   No page, or no unit to program, of this size can be served.
   */
  GAPKEEPER_RESULT_MEMORY_UNIT = 33,
  /*
   An I2C part that is not waited for: no polls, or no time between them.
   */
  GAPKEEPER_RESULT_MEMORY_NO_WAIT = 34,
  /*
   An I2C device address of eight bits, or with bits that select a block of the part.
   */
  GAPKEEPER_RESULT_MEMORY_DEVICE_ADDRESS = 35,
  /*
   One of the memory's functions reported a failure.
   */
  GAPKEEPER_RESULT_MEMORY_ACCESS = 36,
  /*
   The memory did not keep what was written.
   */
  GAPKEEPER_RESULT_MEMORY_NOT_KEPT = 37,
  /*
   A newer program saved here; nothing was written over.
   */
  GAPKEEPER_RESULT_NEWER_LAYOUT = 38,
  /*
   Stored by a program built for other slots; nothing was written over.
   */
  GAPKEEPER_RESULT_OTHER_GEOMETRY = 39,
  /*
   A grid of more nodes than `GAPKEEPER_STATIONS` is stored there.
   */
  GAPKEEPER_RESULT_STORED_TOO_LARGE = 40,
  /*
   The grid cannot be stored.
   */
  GAPKEEPER_RESULT_NOT_STORABLE = 41,
  /*
   Something newer than this interface; the text says what.
   */
  GAPKEEPER_RESULT_OTHER = 42,
  /*
   No corner round, tie or advice for these screws; the text says which is badly placed.
   */
  GAPKEEPER_RESULT_SCREWS = 43,
  /*
   No tie can be begun: a whole survey is needed; the text says why.
   */
  GAPKEEPER_RESULT_TIE = 44,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum GapkeeperResult GapkeeperResult;
#else
typedef uint8_t GapkeeperResult;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/*
 What a pin's level means.
 */
enum GapkeeperActive
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  /*
   Low is pressed or tripped: a contact to ground, with a pull-up resistor. For a limit switch: normally open.
   */
  GAPKEEPER_ACTIVE_LOW = 0,
  /*
   High is: a contact to the supply, or one to ground that opens when it is tripped; a broken wire then trips as well.
   */
  GAPKEEPER_ACTIVE_HIGH = 1,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum GapkeeperActive GapkeeperActive;
#else
typedef uint8_t GapkeeperActive;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/*
 Which grid was chosen, or why none.
 */
enum GapkeeperChoiceKind
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  /*
   The grid in `place`, `off_c` off in temperature.
   */
  GAPKEEPER_CHOICE_KIND_NEAREST = 0,
  /*
   `place` (the cooler) and `warmer_place` in proportion, `share_q16` of the warmer.
   */
  GAPKEEPER_CHOICE_KIND_BLEND = 1,
  /*
   None: no grid is remembered.
   */
  GAPKEEPER_CHOICE_KIND_EMPTY = 2,
  /*
   None: every grid is for screws that have been turned since.
   */
  GAPKEEPER_CHOICE_KIND_STALE = 3,
  /*
   None: the nearest, for `cooler_c`, is too far off, and no two stand on either side.
   */
  GAPKEEPER_CHOICE_KIND_TOO_FAR = 4,
  /*
   None: `cooler_c` and `warmer_c` stand on either side, but not on the same stations or too far apart.
   */
  GAPKEEPER_CHOICE_KIND_NO_BLEND = 5,
  /*
   None: the memory was not read yet, so nobody knows which setup holds.
   */
  GAPKEEPER_CHOICE_KIND_NOT_LOADED = 6,
  /*
   None: the grid in `place` would be right, but cannot be put in force; `why` says why not.
   */
  GAPKEEPER_CHOICE_KIND_UNUSABLE = 7,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum GapkeeperChoiceKind GapkeeperChoiceKind;
#else
typedef uint8_t GapkeeperChoiceKind;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/*
 What happened. Temperatures and turned screws have functions of their own.
 */
enum GapkeeperEventKind
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  /*
   All motion that was ordered has really ended: the motors stand still, after a step and a stop too.
   */
  GAPKEEPER_EVENT_KIND_ARRIVED = 0,
  /*
   The knob was turned by `detents`; positive raises the nozzle.
   */
  GAPKEEPER_EVENT_KIND_TURNED = 1,
  /*
   The button was pressed: this is the reading, or yes.
   */
  GAPKEEPER_EVENT_KIND_PRESSED = 2,
  /*
   Back one station, or no.
   */
  GAPKEEPER_EVENT_KIND_BACK = 3,
  /*
   End it.
   */
  GAPKEEPER_EVENT_KIND_ABORT = 4,
  /*
   How the limit switch stands: `is_tripped`. Tell it once at the start and at each change, also without a survey;
   untold counts as not tripped.
   */
  GAPKEEPER_EVENT_KIND_LIMIT_SWITCH = 5,
  /*
   Leave out the middles of cells that are still to come; it counts while a gap is being set and nothing else is to
   come. Where a corner round asks for screws to be turned, leave them as they are and begin the survey.
   */
  GAPKEEPER_EVENT_KIND_ENOUGH = 6,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum GapkeeperEventKind GapkeeperEventKind;
#else
typedef uint8_t GapkeeperEventKind;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/*
 What a function of a memory answers; any other number is a failure, which the text of the result shows.
 */
enum GapkeeperMemoryAnswer
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  /*
   Done.
   */
  GAPKEEPER_MEMORY_ANSWER_DONE = 0,
  /*
   Only from `read`: these cells cannot be read, as in flash with error correction after a power cut.
   */
  GAPKEEPER_MEMORY_ANSWER_DAMAGED = 1,
  /*
   The part did not answer: not there, or at work on a write of before.
   */
  GAPKEEPER_MEMORY_ANSWER_NO_ANSWER = 2,
  /*
   Only from the library's memories: bytes outside the slots, or a description that was changed or has moved.
   */
  GAPKEEPER_MEMORY_ANSWER_MISUSED = 3,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum GapkeeperMemoryAnswer GapkeeperMemoryAnswer;
#else
typedef uint8_t GapkeeperMemoryAnswer;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/*
 What is to be done next. A new order replaces the one under way. Say `GAPKEEPER_EVENT_KIND_ARRIVED` when a stop, lift,
 travel, approach or step has really ended.
 */
enum GapkeeperOrderKind
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  /*
   Nothing new: show the prompt and wait for an event.
   */
  GAPKEEPER_ORDER_KIND_WAIT = 0,
  /*
   Stop all motion at once, wherever it is.
   */
  GAPKEEPER_ORDER_KIND_STOP = 1,
  /*
   Raise the nozzle straight to `z_um`; never downwards.
   */
  GAPKEEPER_ORDER_KIND_LIFT = 2,
  /*
   Travel level to `x_um`, `y_um`.
   */
  GAPKEEPER_ORDER_KIND_TRAVEL = 3,
  /*
   Lower the nozzle to `z_um`, where it waits: above the bed where that is not measured, and above all that is.
   */
  GAPKEEPER_ORDER_KIND_APPROACH = 4,
  /*
   Follow the knob to `z_um`.
   */
  GAPKEEPER_ORDER_KIND_STEP = 5,
  /*
   All is measured; the grid is not saved yet, and in force unless the choice says why it cannot be.
   */
  GAPKEEPER_ORDER_KIND_DONE = 6,
  /*
   The survey was ended without a result; the grid that was in force before is in force again.
   */
  GAPKEEPER_ORDER_KIND_ABORTED = 7,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum GapkeeperOrderKind GapkeeperOrderKind;
#else
typedef uint8_t GapkeeperOrderKind;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/*
 What happened at a panel.
 */
enum GapkeeperPanelEventKind
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  /*
   `event`, to be given to `gapkeeper_survey_event` as it is. A long press is `GAPKEEPER_EVENT_KIND_ABORT`; where there
   are long presses, a button held while the knob is turned by two detents is `GAPKEEPER_EVENT_KIND_BACK`, or
   `GAPKEEPER_EVENT_KIND_ENOUGH` if forwards.
   */
  GAPKEEPER_PANEL_EVENT_KIND_SURVEY = 0,
  /*
   Detents or a press were lost: turned faster than polled, or too much was waiting. Show it.
   */
  GAPKEEPER_PANEL_EVENT_KIND_LOST = 1,
  /*
   A pin could not be read. Show it; a limit switch then counts as tripped.
   */
  GAPKEEPER_PANEL_EVENT_KIND_PIN_FAILED = 2,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum GapkeeperPanelEventKind GapkeeperPanelEventKind;
#else
typedef uint8_t GapkeeperPanelEventKind;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/*
 Which pin is to be read.
 */
enum GapkeeperPin
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  /*
   One of the knob's.
   */
  GAPKEEPER_PIN_KNOB_A = 0,
  /*
   The other.
   */
  GAPKEEPER_PIN_KNOB_B = 1,
  /*
   The button's.
   */
  GAPKEEPER_PIN_BUTTON = 2,
  /*
   The limit switch's.
   */
  GAPKEEPER_PIN_LIMIT_SWITCH = 3,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum GapkeeperPin GapkeeperPin;
#else
typedef uint8_t GapkeeperPin;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/*
 The plane of an arc.
 */
enum GapkeeperPlane
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  /*
   First axis X, second Y.
   */
  GAPKEEPER_PLANE_XY = 0,
  /*
   First axis Z, second X.
   */
  GAPKEEPER_PLANE_ZX = 1,
  /*
   First axis Y, second Z.
   */
  GAPKEEPER_PLANE_YZ = 2,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum GapkeeperPlane GapkeeperPlane;
#else
typedef uint8_t GapkeeperPlane;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/*
 What a person should see now.
 */
enum GapkeeperPromptKind
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  /*
   Waiting for bed and nozzle, which should have `bed_c` and `nozzle_c`.
   */
  GAPKEEPER_PROMPT_KIND_HEAT = 0,
  /*
   Waiting `seconds` for the plate to settle.
   */
  GAPKEEPER_PROMPT_KIND_SOAK = 1,
  /*
   A press lifts the nozzle and takes it to the first of `visits` stations.
   */
  GAPKEEPER_PROMPT_KIND_READY = 2,
  /*
   Axes are moving, for `visit` of `visits`.
   */
  GAPKEEPER_PROMPT_KIND_MOVING = 3,
  /*
   The nozzle is being lifted, and nothing follows by itself.
   */
  GAPKEEPER_PROMPT_KIND_LIFTING = 4,
  /*
   Turn the knob until the feeler drags, then press. The nozzle stands at `z_um`.
   */
  GAPKEEPER_PROMPT_KIND_SET_GAP = 5,
  /*
   The same once more, since the reading is `off_um` from what the others predict.
   */
  GAPKEEPER_PROMPT_KIND_LOOK_AGAIN = 6,
  /*
   The bed left its temperature window with `bed_c` for `wanted_c`: the round is void. A press lifts the nozzle; then it
   is warmed up again.
   */
  GAPKEEPER_PROMPT_KIND_BED_TEMPERATURE = 7,
  /*
   The limit switch is tripped, or its wire is broken: nothing is lowered. With `press_lifts` the round is void.
   */
  GAPKEEPER_PROMPT_KIND_SWITCH_TRIPPED = 8,
  /*
   The limit switch was in the way: raise the bed by `by_um` at least, which begins a new setup. Say that with
   `gapkeeper_screw_turned` before; then `is_told`, and a press goes on.
   */
  GAPKEEPER_PROMPT_KIND_RAISE_BED = 9,
  /*
   A screw was turned: the round is void. A press lifts the nozzle, and the round begins anew.
   */
  GAPKEEPER_PROMPT_KIND_HANDS_OFF = 10,
  /*
   The first station has moved by `closure_um`: press to accept, back to repeat.
   */
  GAPKEEPER_PROMPT_KIND_CLOSURE = 11,
  /*
   Measured, with `closure_um` of change at the first station.
   */
  GAPKEEPER_PROMPT_KIND_DONE = 12,
  /*
   Ended without a result.
   */
  GAPKEEPER_PROMPT_KIND_ABORTED = 13,
  /*
   Something newer than this interface; the text says what.
   */
  GAPKEEPER_PROMPT_KIND_OTHER = 14,
  /*
   The corner round is over: the corners are `apart_um` apart, and the nozzle may go `headroom_um` below the lowest. A
   press lifts the nozzle and takes it to the first of `visits` stations.
   */
  GAPKEEPER_PROMPT_KIND_TRAMMED = 15,
  /*
   The corners are `apart_um` apart and may be `limit_um`: turn the screws by `gapkeeper_screw_advice`, which begins a new
   setup. Say that with `gapkeeper_screw_turned` and save before; then `is_told`, and a press goes on. `back` reads the
   corners again, `enough` leaves the screws as they are.
   */
  GAPKEEPER_PROMPT_KIND_TURN_SCREWS = 16,
  /*
   The readings of a tie do not fit the old grid: a whole survey is needed. The shape is off by `residual_um`; 0 if the bed
   moved out of range. A press ends the tie without a result, `back` begins it anew.
   */
  GAPKEEPER_PROMPT_KIND_TIE_REFUSED = 17,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum GapkeeperPromptKind GapkeeperPromptKind;
#else
typedef uint8_t GapkeeperPromptKind;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/*
 When a stored grid comes into force.
 */
enum GapkeeperGridReturn
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  /*
   By itself after homing: old job files need no change.
   */
  GAPKEEPER_GRID_RETURN_AFTER_HOMING = 0,
  /*
   When the job or a person asks for it.
   */
  GAPKEEPER_GRID_RETURN_WHEN_ASKED = 1,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum GapkeeperGridReturn GapkeeperGridReturn;
#else
typedef uint8_t GapkeeperGridReturn;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/*
 To what height the bed is brought.
 */
enum GapkeeperHold
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  /*
   The highest screw is not turned, the others only raise the bed: headroom is gained.
   */
  GAPKEEPER_HOLD_HIGHEST = 0,
  /*
   The lowest screw is not turned, the others only lower the bed: springs are pressed together.
   */
  GAPKEEPER_HOLD_LOWEST = 1,
  /*
   The screw `held`, counted from 0, is not turned.
   */
  GAPKEEPER_HOLD_SCREW = 2,
  /*
   The bed comes to `target_um`; every screw may have to be turned.
   */
  GAPKEEPER_HOLD_HEIGHT = 3,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum GapkeeperHold GapkeeperHold;
#else
typedef uint8_t GapkeeperHold;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/*
 Which surface the readings ask for.
 */
enum GapkeeperSurface
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  /*
   Bilinear between the nodes.
   */
  GAPKEEPER_SURFACE_BILINEAR = 0,
  /*
   A smooth surface through the nodes, computed once as a denser grid.
   */
  GAPKEEPER_SURFACE_REFINED = 1,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum GapkeeperSurface GapkeeperSurface;
#else
typedef uint8_t GapkeeperSurface;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/*
 Sense of rotation, seen from the positive end of the axis that stands on the plane.
 */
enum GapkeeperTurn
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  /*
   As the clock.
   */
  GAPKEEPER_TURN_CLOCKWISE = 0,
  /*
   Against it.
   */
  GAPKEEPER_TURN_ANTICLOCKWISE = 1,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum GapkeeperTurn GapkeeperTurn;
#else
typedef uint8_t GapkeeperTurn;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/*
 Why a grid cannot be put in force. `gapkeeper_choice_text` has the numbers and what to do.
 */
enum GapkeeperWhy
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  /*
   It can, or none was chosen.
   */
  GAPKEEPER_WHY_NONE = 0,
  /*
   It cannot be refined or blended.
   */
  GAPKEEPER_WHY_SURFACE = 1,
  /*
   Its shift is out of range.
   */
  GAPKEEPER_WHY_SHIFT = 2,
  /*
   Its fade is too short for its shape: `gapkeeper_set_fade`.
   */
  GAPKEEPER_WHY_FADE = 3,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum GapkeeperWhy GapkeeperWhy;
#else
typedef uint8_t GapkeeperWhy;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/*
 The part of a memory that holds the slots, one after the other.
 */
typedef struct GapkeeperRegion {
  /*
   Address of the first byte of the first slot; not 0 in an EEPROM, where a falling supply may write.
   */
  uint32_t first_address;
  /*
   Bytes in each slot, `GAPKEEPER_SLOT_SIZE(unit)` or more.
   */
  uint32_t slot_size;
  /*
   Number of slots, `GAPKEEPER_SLOT_COUNT` or more.
   */
  uint32_t slot_count;
} GapkeeperRegion;

/*
 EEPROM in which each byte is erased and written by itself, as inside many controllers. Its unit is 1.

 The functions answer `GAPKEEPER_MEMORY_ANSWER_DONE`, or a number of their own from 16 on for a failure.
 */
typedef struct GapkeeperByteEeprom {
  /*
   Given to both functions; may be null.
   */
  void *context;
  /*
   Reads a byte.
   */
  uint8_t (*read_byte)(void *context, uint32_t address, uint8_t *byte);
  /*
   Erases and writes a byte, also where it reads as wanted, and returns when that is done.
   */
  uint8_t (*write_byte)(void *context, uint32_t address, uint8_t byte);
  /*
   Number of bytes.
   */
  uint32_t capacity;
  /*
   Where the slots lie.
   */
  struct GapkeeperRegion region;
} GapkeeperByteEeprom;

/*
 Persistent memory in slots of equal size. For usual parts the library makes one: `gapkeeper_byte_eeprom`,
 `gapkeeper_i2c_eeprom`, `gapkeeper_nor_flash`. For another sort, fill it.

 Each call is one attempt: report failures, never try over. `write` begins at a multiple of `unit`, writes all bytes
 also where they read as wanted, and may fill the rest of its last unit. `write` and `erase` return when the memory
 is done. No function calls the keeper that is being loaded or saved.
 */
typedef struct GapkeeperMemory {
  /*
   Given to every function; may be null.
   */
  void *context;
  /*
   Reads `length` bytes of a slot.
   */
  uint8_t (*read)(void *context, uint32_t slot, uint32_t offset, uint8_t *bytes, size_t length);
  /*
   Makes a slot writable; does nothing where written bytes can be written over.
   */
  uint8_t (*erase)(void *context, uint32_t slot);
  /*
   Writes `length` bytes of a slot.
   */
  uint8_t (*write)(void *context, uint32_t slot, uint32_t offset, const uint8_t *bytes, size_t length);
  /*
   Number of slots, `GAPKEEPER_SLOT_COUNT` or more.
   */
  uint32_t slot_count;
  /*
   Bytes in each slot, `GAPKEEPER_SLOT_SIZE(unit)` or more.
   */
  uint32_t slot_size;
  /*
   Bytes that a power failure during a write puts at risk together; a slot is a multiple of it.
   */
  uint32_t unit;
} GapkeeperMemory;

/*
 Storage of a keeper. What is in it is the library's affair; begin with `gapkeeper_init`.
 */
typedef struct GapkeeperKeeper {
  /*
   Nothing to look at.
   */
  uint64_t opaque[GAPKEEPER_KEEPER_WORDS];
} GapkeeperKeeper;

/*
 Where the nodes of a grid or the stations of a survey stand.
 */
typedef struct GapkeeperLattice {
  /*
   X of the first column.
   */
  int32_t x0_um;
  /*
   Y of the first row.
   */
  int32_t y0_um;
  /*
   Distance between columns.
   */
  uint32_t pitch_x_um;
  /*
   Distance between rows.
   */
  uint32_t pitch_y_um;
  /*
   Nodes along X, 2 to 16.
   */
  uint8_t columns;
  /*
   Nodes along Y, 2 to 16; columns times rows up to `GAPKEEPER_STATIONS`.
   */
  uint8_t rows;
} GapkeeperLattice;

/*
 What a survey needs to know besides its stations. Heights are machine heights. Begin with
 `gapkeeper_survey_settings_default`.

 No reading says how high the bed is anywhere else, so nothing but `start_um` keeps the nozzle off it. If screws may
 be turned by more, let it hold after that too; a bed that the survey itself wants raised takes it along by
 `headroom_um`.
 */
typedef struct GapkeeperSurveySettings {
  /*
   Surely above the bed everywhere, by more than the feeler is thick; the nozzle never waits lower.
   */
  int32_t start_um;
  /*
   No order goes below this.
   */
  int32_t lowest_um;
  /*
   Bed temperature at which the grid shall hold.
   */
  int16_t bed_temperature_c;
  /*
   Nozzle temperature while measuring; a hot nozzle is longer.
   */
  int16_t nozzle_temperature_c;
  /*
   How long both must have been right before the first reading.
   */
  uint16_t soak_s;
  /*
   Thickness of the paper or blade in the gap.
   */
  uint16_t feeler_um;
  /*
   One detent of the knob.
   */
  uint16_t detent_um;
  /*
   One detent downwards while the nozzle is higher than `clearance_um` above the highest reading so far, until the
   knob is turned back up; held to the feeler. 0: always `detent_um`, for a hand that turns by numbers.
   */
  uint16_t coarse_um;
  /*
   The bed is expected from this much above the highest reading so far on downwards; the nozzle never waits lower.
   */
  uint16_t clearance_um;
  /*
   Further height for travelling, and the highest that the knob goes above where the nozzle waits.
   */
  uint16_t lift_um;
  /*
   Change at the first station that is still no reason to doubt the round.
   */
  uint16_t closure_limit_um;
  /*
   A reading farther than this from what all others predict is offered for one more look.
   */
  uint16_t outlier_limit_um;
  /*
   How far the bed must be raised when the limit switch was in the way.
   */
  uint16_t headroom_um;
  /*
   A corner round ends once the heights of its stations lie within this of each other.
   */
  uint16_t corner_limit_um;
  /*
   How far either temperature may be off.
   */
  uint8_t temperature_window_c;
  /*
   Not 0, the default: of 3 by 3 stations the middles of the four cells are visited as well, and all 13 readings enter
   a grid of 5 by 5 nodes. Other numbers of stations have no middles here.
   */
  uint8_t middles;
} GapkeeperSurveySettings;

/*
 A screw that raises and lowers the bed at one place.
 */
typedef struct GapkeeperScrew {
  /*
   To the right.
   */
  int32_t x_um;
  /*
   To the back.
   */
  int32_t y_um;
  /*
   Rise of one turn, 100 to 10000: M3 500, M4 700, M5 800.
   */
  uint16_t thread_um_per_turn;
} GapkeeperScrew;

/*
 The screws of a bed. Fill it whole, or begin with `= {0}`.
 */
typedef struct GapkeeperScrews {
  /*
   The first `count` of them.
   */
  struct GapkeeperScrew screws[GAPKEEPER_SCREWS];
  /*
   For `GAPKEEPER_HOLD_HEIGHT`.
   */
  int32_t target_um;
  /*
   Number of screws, 3 to `GAPKEEPER_SCREWS`.
   */
  uint8_t count;
  /*
   A GapkeeperHold.
   */
  uint8_t hold;
  /*
   For `GAPKEEPER_HOLD_SCREW`.
   */
  uint8_t held;
  /*
   Not 0: the plate is so thick that it does not twist.
   */
  uint8_t is_rigid;
} GapkeeperScrews;

/*
 An order of a survey. Fields that do not belong to the kind are 0.
 */
typedef struct GapkeeperOrder {
  /*
   Where to travel.
   */
  int32_t x_um;
  /*
   Where to travel.
   */
  int32_t y_um;
  /*
   Machine height to go to.
   */
  int32_t z_um;
  /*
   A GapkeeperOrderKind.
   */
  uint8_t kind;
} GapkeeperOrder;

/*
 How to turn one screw. Positive raises the bed at the screw; which way that is depends on thread and mechanism.
 */
typedef struct GapkeeperScrewTurn {
  /*
   How far the bed must rise at the screw.
   */
  int32_t raise_um;
  /*
   The same in thousandths of a turn.
   */
  int32_t raise_milliturns;
  /*
   The same in tenths of a degree, whole turns included.
   */
  int32_t raise_decidegrees;
} GapkeeperScrewTurn;

/*
 How to turn all screws, and what no screw takes out.
 */
typedef struct GapkeeperScrewAdvice {
  /*
   By screw, in the order given; those that are not there are 0.
   */
  struct GapkeeperScrewTurn turns[GAPKEEPER_SCREWS];
  /*
   What stays, from the lowest corner to the highest.
   */
  uint32_t residual_um;
  /*
   Number of screws.
   */
  uint8_t count;
  /*
   1: the advice takes out a twist too.
   */
  uint8_t takes_out_twist;
} GapkeeperScrewAdvice;

/*
 Full correction up to one height, none from another on. Two equal heights: it never fades.
 */
typedef struct GapkeeperFade {
  /*
   Full correction up to this logical height.
   */
  int32_t full_below_um;
  /*
   No correction of the shape from this logical height on.
   */
  int32_t zero_above_um;
} GapkeeperFade;

/*
 A grid without its heights, which stand in an array of their own: row by row, the first row at the smallest Y.
 */
typedef struct GapkeeperGrid {
  /*
   Where its nodes stand.
   */
  struct GapkeeperLattice lattice;
  /*
   Where it fades out.
   */
  struct GapkeeperFade fade;
  /*
   Bed temperature that it is for.
   */
  int16_t bed_temperature_c;
  /*
   Moves the nozzle away from the bed (positive) or nearer.
   */
  int16_t shift_um;
  /*
   A GapkeeperSurface.
   */
  uint8_t surface;
  /*
   Ties since the last whole survey; 0 for a whole survey.
   */
  uint8_t ties;
  /*
   Residual of the last tie, in micrometres; 0 without one.
   */
  uint8_t tie_residual_um;
} GapkeeperGrid;

/*
 EEPROM with pages on an I2C bus, as its data sheet describes it. Its unit is a page.

 The transfers answer `GAPKEEPER_MEMORY_ANSWER_DONE`, `GAPKEEPER_MEMORY_ANSWER_NO_ANSWER` where the part did not
 acknowledge, as it does while it writes, or a number of their own from 16 on for another failure. Whatever it is, the
 transfer is tried again, `polls` times.
 */
typedef struct GapkeeperI2cEeprom {
  /*
   Given to every function; may be null.
   */
  void *context;
  /*
   Start, device address for writing, `length` bytes, stop.
   */
  uint8_t (*write)(void *context, uint8_t device_address, const uint8_t *bytes, size_t length);
  /*
   Start, device address for writing, `sent_length` bytes, start again, device address for reading, `length` bytes,
   stop.
   */
  uint8_t (*write_read)(void *context,
                        uint8_t device_address,
                        const uint8_t *sent,
                        size_t sent_length,
                        uint8_t *bytes,
                        size_t length);
  /*
   Waits so long at least.
   */
  void (*delay_us)(void *context, uint32_t us);
  /*
   Number of bytes.
   */
  uint32_t capacity;
  /*
   Bytes written in one write cycle, a power of two up to 128.
   */
  uint32_t page_size;
  /*
   Time before each further try of a transfer. Polls times this must exceed the longest write cycle.
   */
  uint32_t poll_interval_us;
  /*
   Where the slots lie; a slot is whole pages, and the first page of the part is not available.
   */
  struct GapkeeperRegion region;
  /*
   How often a transfer that the part did not take is tried again, once or more.
   */
  uint16_t polls;
  /*
   Seven-bit device address of the first block.
   */
  uint8_t device_address;
  /*
   How many bytes of address the part takes, 1 or 2; the bits above stand in the lowest of the device address.
   */
  uint8_t address_bytes;
} GapkeeperI2cEeprom;

/*
 What a keeper needs to know of the machine. Begin with `gapkeeper_settings_default`.
 */
typedef struct GapkeeperSettings {
  /*
   No piece of a move ends below this machine height.
   */
  int32_t lowest_machine_z_um;
  /*
   Where grids that will be measured fade out.
   */
  struct GapkeeperFade fade;
  /*
   How far a piece may be off the corrected path, 2 to 1000.
   */
  uint16_t tolerance_um;
  /*
   One step of `gapkeeper_shift_by`.
   */
  uint16_t shift_step_um;
  /*
   A GapkeeperGridReturn.
   */
  uint8_t grid_return;
  /*
   A grid this near to the bed's temperature is used as it is.
   */
  uint8_t window_nearest_c;
  /*
   Two grids on either side are blended if they are no farther apart than this.
   */
  uint8_t window_blend_c;
} GapkeeperSettings;

/*
 Which grid was chosen and why. Fields that do not belong to the kind are 0.
 */
typedef struct GapkeeperChoice {
  /*
   Share of the warmer grid, 65536 for all of it.
   */
  uint32_t share_q16;
  /*
   How far off the grid's temperature is.
   */
  uint16_t off_c;
  /*
   Temperature of the cooler, or only, grid.
   */
  int16_t cooler_c;
  /*
   Temperature of the warmer grid.
   */
  int16_t warmer_c;
  /*
   A GapkeeperChoiceKind.
   */
  uint8_t kind;
  /*
   Place of the chosen, or cooler, grid.
   */
  uint8_t place;
  /*
   Place of the warmer grid.
   */
  uint8_t warmer_place;
  /*
   A GapkeeperWhy.
   */
  uint8_t why;
} GapkeeperChoice;

/*
 How warm it is, and when.
 */
typedef struct GapkeeperTemperature {
  /*
   Seconds on any clock that does not run backwards.
   */
  uint32_t at_s;
  /*
   The bed.
   */
  int16_t bed_c;
  /*
   The nozzle.
   */
  int16_t nozzle_c;
} GapkeeperTemperature;

/*
 Storage of the pieces of one move; begin with `gapkeeper_line_begin`.
 */
typedef struct GapkeeperPieces {
  /*
   Nothing to look at.
   */
  uint64_t opaque[GAPKEEPER_PIECES_WORDS];
} GapkeeperPieces;

/*
 A place in machine space.
 */
typedef struct GapkeeperPoint {
  /*
   To the right.
   */
  int32_t x_um;
  /*
   To the back.
   */
  int32_t y_um;
  /*
   Up.
   */
  int32_t z_um;
} GapkeeperPoint;

/*
 A straight move at logical height.
 */
typedef struct GapkeeperMove {
  /*
   Where it begins.
   */
  struct GapkeeperPoint start;
  /*
   Where it ends.
   */
  struct GapkeeperPoint end;
  /*
   The further axes at the beginning, in any unit.
   */
  int32_t extra_start[GAPKEEPER_EXTRA_AXES];
  /*
   The further axes at the end.
   */
  int32_t extra_end[GAPKEEPER_EXTRA_AXES];
} GapkeeperMove;

/*
 The end of one straight part of a move; it begins where the piece before it ended.
 */
typedef struct GapkeeperPiece {
  /*
   Machine position: X and Y as in the move, Z corrected.
   */
  struct GapkeeperPoint end;
  /*
   The further axes.
   */
  int32_t extra[GAPKEEPER_EXTRA_AXES];
} GapkeeperPiece;

/*
 What scaling `E` leaves over from one piece to the next. Begin once with `= {0}` and use it for every move of that `E`,
 with `gapkeeper_piece_next_scaled`.
 */
typedef struct GapkeeperFlow {
  /*
   In 131072ths of a unit of `E`, from -65536 to 65535.
   */
  int32_t remainder_q17;
} GapkeeperFlow;

/*
 Storage of the chords of one arc; begin with `gapkeeper_arc_begin`.
 */
typedef struct GapkeeperChords {
  /*
   Nothing to look at.
   */
  uint64_t opaque[GAPKEEPER_CHORDS_WORDS];
} GapkeeperChords;

/*
 A circular arc or helix at logical height, by its radius or, if that is 0, by its centre.
 */
typedef struct GapkeeperArc {
  /*
   Its ends; if they are the same point, a full circle.
   */
  struct GapkeeperMove motion;
  /*
   From the start to the centre, along the plane's first axis.
   */
  int32_t centre_first_um;
  /*
   The same along the second.
   */
  int32_t centre_second_um;
  /*
   Positive for the shorter way round, negative for the longer, 0 for an arc by its centre.
   */
  int32_t radius_um;
  /*
   How far a chord may be off the arc, 1 or more.
   */
  uint16_t tolerance_um;
  /*
   A GapkeeperPlane.
   */
  uint8_t plane;
  /*
   A GapkeeperTurn.
   */
  uint8_t turn;
} GapkeeperArc;

/*
 NOR flash: erased in large units, programmed once in small ones. Its unit is `program_size`.

 A slot is one erase unit or several, and there are `GAPKEEPER_SLOT_COUNT` of them: with sectors of 128 KiB that is a
 mebibyte. Erasing stalls the call, and on many chips the whole program, for as long as the data sheet says.

 The functions answer `GAPKEEPER_MEMORY_ANSWER_DONE`, or a number of their own from 16 on for a failure.
 */
typedef struct GapkeeperNorFlash {
  /*
   Given to every function; may be null.
   */
  void *context;
  /*
   Reads `length` bytes from any address on. `GAPKEEPER_MEMORY_ANSWER_DAMAGED` where error correction gives them up.
   */
  uint8_t (*read)(void *context, uint32_t address, uint8_t *bytes, size_t length);
  /*
   Erases the erase unit that begins at this address, and returns when that is done.
   */
  uint8_t (*erase)(void *context, uint32_t address);
  /*
   Programs `length` bytes, whole units, and returns when that is done.
   */
  uint8_t (*program)(void *context, uint32_t address, const uint8_t *bytes, size_t length);
  /*
   Number of bytes.
   */
  uint32_t capacity;
  /*
   Bytes in an erase unit.
   */
  uint32_t erase_size;
  /*
   Bytes programmed at once: a power of two, 1 to 256.
   */
  uint32_t program_size;
  /*
   Where the slots lie: at erase units. Address 0 may be a slot here.
   */
  struct GapkeeperRegion region;
} GapkeeperNorFlash;

/*
 How a panel is wired. Begin with `gapkeeper_panel_settings_default`.
 */
typedef struct GapkeeperPanelSettings {
  /*
   Given to the function; may be null.
   */
  void *context;
  /*
   Reads a GapkeeperPin: 0 for low, 1 for high; any other number if it cannot be read.
   */
  uint8_t (*read_pin)(void *context, uint8_t pin);
  /*
   How long the button must be seen otherwise before that counts.
   */
  uint16_t debounce_ms;
  /*
   How long a press is a long one; 0: there are none.
   */
  uint16_t long_press_ms;
  /*
   How long the limit switch must be seen free before that counts.
   */
  uint16_t release_ms;
  /*
   Clicks of the knob for one cycle of its contacts: 1, 2 or 4.
   */
  uint8_t detents_per_cycle;
  /*
   How long a contact of the knob is steady at the fastest turn, 1 or more.
   */
  uint8_t knob_steady_ms;
  /*
   A GapkeeperActive.
   */
  uint8_t button_active;
  /*
   A GapkeeperActive.
   */
  uint8_t limit_switch_active;
} GapkeeperPanelSettings;

/*
 Storage of a panel; begin with `gapkeeper_panel_init`.
 */
typedef struct GapkeeperPanel {
  /*
   Nothing to look at.
   */
  uint64_t opaque[GAPKEEPER_PANEL_WORDS];
} GapkeeperPanel;

/*
 An event for a survey.
 */
typedef struct GapkeeperEvent {
  /*
   Detents of the knob, 0 for other events.
   */
  int16_t detents;
  /*
   A GapkeeperEventKind.
   */
  uint8_t kind;
  /*
   Not 0: the limit switch is tripped, or its wire is broken; 0 for other events.
   */
  uint8_t is_tripped;
} GapkeeperEvent;

/*
 What happened at a panel. Fields that do not belong to the kind are 0.
 */
typedef struct GapkeeperPanelEvent {
  /*
   For the survey.
   */
  struct GapkeeperEvent event;
  /*
   A GapkeeperPanelEventKind.
   */
  uint8_t kind;
} GapkeeperPanelEvent;

/*
 What loading found.
 */
typedef struct GapkeeperLoadReport {
  /*
   Grids loaded.
   */
  uint8_t grids;
  /*
   Places whose record is damaged or of a newer layout.
   */
  uint8_t unreadable;
  /*
   Grids loaded that may be the ones before the last: a save was cut short there, or a slot is damaged.
   */
  uint8_t doubtful;
  /*
   1: the setup could not be told for certain, so a new one was begun and no grid holds.
   */
  uint8_t setup_uncertain;
} GapkeeperLoadReport;

/*
 What became of each thing that was unsaved: a GapkeeperResult, `GAPKEEPER_RESULT_OK` also where there was nothing to do.
 */
typedef struct GapkeeperSaveReport {
  /*
   Of the setup. If it is not stored no grid is tried, and all have its result.
   */
  uint8_t setup;
  /*
   Of the grid in each place.
   */
  uint8_t grids[GAPKEEPER_GRIDS];
} GapkeeperSaveReport;

/*
 Storage of a store; begin with `gapkeeper_store_begin`.
 */
typedef struct GapkeeperStore {
  /*
   Nothing to look at.
   */
  uint64_t opaque[GAPKEEPER_STORE_WORDS];
} GapkeeperStore;

/*
 What is hot while hands are near the nozzle or the screws. All 0 if nothing is.
 */
typedef struct GapkeeperCaution {
  /*
   The bed.
   */
  int16_t bed_c;
  /*
   The nozzle.
   */
  int16_t nozzle_c;
  /*
   1: something is hot.
   */
  uint8_t is_hot;
  /*
   1: the work can be done in gloves, or when all has cooled down. 0: setting a gap needs bare fingers.
   */
  uint8_t can_wear_gloves;
} GapkeeperCaution;

/*
 A prompt for screens with words of their own. Fields that do not belong to the kind are 0.
 */
typedef struct GapkeeperPrompt {
  /*
   Where the nozzle stands.
   */
  int32_t z_um;
  /*
   How far below the lowest corner the nozzle may still go.
   */
  int32_t headroom_um;
  /*
   Which visit, from 1.
   */
  uint16_t visit;
  /*
   Of how many.
   */
  uint16_t visits;
  /*
   What is left of the wait.
   */
  uint16_t seconds;
  /*
   How far to raise the bed.
   */
  uint16_t by_um;
  /*
   How far the corners are apart in height.
   */
  uint16_t apart_um;
  /*
   What they may be apart.
   */
  uint16_t limit_um;
  /*
   How far the shape is off that of the old grid.
   */
  uint16_t residual_um;
  /*
   Reading less prediction.
   */
  int16_t off_um;
  /*
   Change at the first station.
   */
  int16_t closure_um;
  /*
   What the bed should have; of `GAPKEEPER_PROMPT_KIND_BED_TEMPERATURE` what it had when it left its window.
   */
  int16_t bed_c;
  /*
   What the nozzle should have.
   */
  int16_t nozzle_c;
  /*
   What the bed should have had.
   */
  int16_t wanted_c;
  /*
   What is hot: show it beside any prompt.
   */
  struct GapkeeperCaution caution;
  /*
   A GapkeeperPromptKind.
   */
  uint8_t kind;
  /*
   1: a detent downwards moves `coarse_um`.
   */
  uint8_t is_coarse;
  /*
   1: the knob was turned since the nozzle arrived; before that a press is no reading.
   */
  uint8_t is_turned;
  /*
   1: a press lifts the nozzle. 0: the survey has not begun.
   */
  uint8_t press_lifts;
  /*
   1: somebody said that the screws are turned, and a press goes on. 0: `back` if they are not.
   */
  uint8_t is_told;
  /*
   1: the visits are those of the corner round.
   */
  uint8_t is_corner;
} GapkeeperPrompt;

/*
 What a screen should know of a keeper.
 */
typedef struct GapkeeperStatus {
  /*
   Which grid was chosen last, and why.
   */
  struct GapkeeperChoice choice;
  /*
   The current setup; 0 before the memory was read.
   */
  uint32_t setup;
  /*
   Shift in force.
   */
  int32_t shift_um;
  /*
   How warm the bed is.
   */
  int16_t bed_c;
  /*
   Bed temperature that the grid in force is for; 0 without one.
   */
  int16_t grid_bed_c;
  /*
   1: positions mean something.
   */
  uint8_t homed;
  /*
   1: moves are corrected.
   */
  uint8_t in_force;
  /*
   1: something would be lost without power.
   */
  uint8_t unsaved;
  /*
   1: a survey is under way.
   */
  uint8_t surveying;
  /*
   1: the memory was read, or there is none, so the setup is known.
   */
  uint8_t setup_known;
  /*
   1: the bed has left the window of the grid in force. It stays in force: put one in force, or home, before the next print.
   */
  uint8_t is_off_temperature;
  /*
   Ties of the grid in force since its last whole survey; 0 for a whole survey, and without a grid.
   */
  uint8_t ties;
  /*
   Residual of the last tie, in micrometres; 0 without one.
   */
  uint8_t tie_residual_um;
  /*
   What is hot, while a survey asks for hands.
   */
  struct GapkeeperCaution caution;
} GapkeeperStatus;

/*
 How well the readings of a survey agree with each other.
 */
typedef struct GapkeeperAgreement {
  /*
   The reading that disagrees most, less what all others predict.
   */
  int32_t off_um;
  /*
   Root mean square over all readings of reading less what all others predict.
   */
  uint32_t predicted_rms_um;
  /*
   How far the surface is off, as a root mean square over the area: an estimate from the readings alone.
   */
  uint32_t surface_rms_um;
  /*
   Column of the reading that disagrees most, among the nodes of the grid.
   */
  uint8_t column;
  /*
   Its row.
   */
  uint8_t row;
  /*
   1: the bed is too rough, or the hand too coarse, for so few stations.
   */
  uint8_t needs_more_stations;
  /*
   0: nothing is known, and all else is 0.
   */
  uint8_t is_known;
} GapkeeperAgreement;

#ifdef __cplusplus
extern "C" {
#endif // __cplusplus

/*
 The version of the library; compare it with [`GAPKEEPER_ABI_VERSION`] of the header.
 */
uint16_t gapkeeper_abi_version(void);

/*
 Makes a memory for `gapkeeper_load` and `gapkeeper_save` of a byte-written EEPROM. The memory refers to `*eeprom`, which
 stays where it is and as it is.

 # Safety
 `eeprom` is null or may be read, as long as the memory is used; its functions do what [`GapkeeperByteEeprom`] says.
 `memory` is null or may be written.
 */
GapkeeperResult gapkeeper_byte_eeprom(const struct GapkeeperByteEeprom *eeprom,
                                      struct GapkeeperMemory *memory);

/*
 As `gapkeeper_survey_begin`, after a corner round: first the stations nearest to the screws are visited, in the order of
 the screws. While their heights are farther apart than `corner_limit_um`, the prompt asks for screws to be turned, by
 `gapkeeper_screw_advice`; then the survey begins. Of the screws only their places matter here.

 # Safety
 `keeper` is null or storage for a keeper, `stations`, `settings` and `screws` are null or may be read, `order` is null or
 may be written.
 */
GapkeeperResult gapkeeper_corner_round_begin(struct GapkeeperKeeper *keeper,
                                             const struct GapkeeperLattice *stations,
                                             const struct GapkeeperSurveySettings *settings,
                                             const struct GapkeeperScrews *screws,
                                             int32_t z_um,
                                             struct GapkeeperOrder *order);

/*
 How to turn each screw, while the prompt is `GAPKEEPER_PROMPT_KIND_TURN_SCREWS`; `GAPKEEPER_RESULT_NO_SURVEY` at any
 other time. It stays the same until the press that ends the turning.

 # Safety
 `keeper` is null or storage for a keeper, `screws` is null or may be read, `advice` is null or may be written.
 */
GapkeeperResult gapkeeper_screw_advice(struct GapkeeperKeeper *keeper,
                                       const struct GapkeeperScrews *screws,
                                       struct GapkeeperScrewAdvice *advice);

/*
 How to turn a screw, counted from 0, in a line of at most twenty characters, such as `3 raise 1t 82 deg`.
 `GAPKEEPER_SCREEN_TEXT_SIZE` bytes are enough.

 # Safety
 `advice` is null or may be read, `text` is null or may be written for `size` bytes.
 */
GapkeeperResult gapkeeper_screw_advice_text(const struct GapkeeperScrewAdvice *advice,
                                            uint8_t screw,
                                            char *text,
                                            size_t size);

/*
 Takes a grid from elsewhere as if it had just been measured: it is remembered, in force, and not saved yet.
 `count` heights in micrometres, row by row.

 # Safety
 `keeper` is null or storage for a keeper, `grid` is null or may be read, `heights_um` is null or `count` heights.
 */
GapkeeperResult gapkeeper_set_grid(struct GapkeeperKeeper *keeper,
                                   const struct GapkeeperGrid *grid,
                                   const int16_t *heights_um,
                                   size_t count);

/*
 A remembered grid, by its place from 0. `capacity` is the number of heights that fit; as many as the grid has nodes
 are written.

 # Safety
 `keeper` is null or storage for a keeper, `grid` is null or may be written, `heights_um` is null or room for
 `capacity` heights.
 */
GapkeeperResult gapkeeper_grid(const struct GapkeeperKeeper *keeper,
                               uint8_t place,
                               struct GapkeeperGrid *grid,
                               int16_t *heights_um,
                               size_t capacity);

/*
 Raises (positive) or lowers the whole surface by steps; the shift that is now in force, in micrometres.

 # Safety
 `keeper` is null or storage for a keeper, `shift_um` is null or may be written.
 */
GapkeeperResult gapkeeper_shift_by(struct GapkeeperKeeper *keeper, int16_t steps, int16_t *shift_um);

/*
 Lets the grid that was chosen last fade otherwise, and those to come: also one that its fade kept from coming into
 force. Two equal heights: it never fades.

 # Safety
 `keeper` is null or storage for a keeper, `fade` is null or may be read.
 */
GapkeeperResult gapkeeper_set_fade(struct GapkeeperKeeper *keeper,
                                   const struct GapkeeperFade *fade);

/*
 Makes a memory for `gapkeeper_load` and `gapkeeper_save` of an I2C EEPROM. The memory refers to `*eeprom`, which stays
 where it is and as it is.

 # Safety
 `eeprom` is null or may be read, as long as the memory is used; its functions do what [`GapkeeperI2cEeprom`] says.
 `memory` is null or may be written.
 */
GapkeeperResult gapkeeper_i2c_eeprom(const struct GapkeeperI2cEeprom *eeprom,
                                     struct GapkeeperMemory *memory);

/*
 Settings that suit most machines: a grid returns after homing, splits to 2 um, shifts by 10 um, no lowest height, no fade.

 # Safety
 `settings` is null or may be written.
 */
GapkeeperResult gapkeeper_settings_default(struct GapkeeperSettings *settings);

/*
 Makes a keeper that remembers nothing yet, whatever the storage held. Pass `sizeof(GapkeeperKeeper)`.

 Then load what is stored, then home. Until a load has succeeded no grid is in force, and nothing is measured, taken in
 or saved. If it fails, the storage holds no keeper.

 # Safety
 `keeper` is null or may be written for `size` bytes, `settings` is null or may be read.
 */
GapkeeperResult gapkeeper_init(struct GapkeeperKeeper *keeper,
                               size_t size,
                               const struct GapkeeperSettings *settings);

/*
 As `gapkeeper_init`, for a machine that has no persistent memory: what it measures holds until the power is off.

 # Safety
 As for `gapkeeper_init`.
 */
GapkeeperResult gapkeeper_init_without_memory(struct GapkeeperKeeper *keeper,
                                              size_t size,
                                              const struct GapkeeperSettings *settings);

/*
 All axes were homed. Unless grids return only when asked for, the right one comes into force, and the choice
 says which and why, or why none. A survey under way is over, without a result.

 # Safety
 `keeper` is null or storage for a keeper, `choice` is null or may be written.
 */
GapkeeperResult gapkeeper_homed(struct GapkeeperKeeper *keeper, struct GapkeeperChoice *choice);

/*
 Motors lost their positions: nothing moves before homing, and a survey under way is over, without a result.

 # Safety
 `keeper` is null or storage for a keeper.
 */
GapkeeperResult gapkeeper_lost_position(struct GapkeeperKeeper *keeper);

/*
 Puts the right grid for the bed's temperature in force, or none: the choice says which and why.

 # Safety
 `keeper` is null or storage for a keeper, `choice` is null or may be written.
 */
GapkeeperResult gapkeeper_put_stored_in_force(struct GapkeeperKeeper *keeper, struct GapkeeperChoice *choice);

/*
 No grid is in force any more; nothing is forgotten.

 # Safety
 `keeper` is null or storage for a keeper.
 */
GapkeeperResult gapkeeper_release(struct GapkeeperKeeper *keeper);

/*
 How warm it is; call it once a second. It moves nothing: the order is to wait, or to stop where a survey was moving
 the axes. What a survey makes of it stands in its prompt.

 Without a survey it leaves moves under way alone.

 # Safety
 `keeper` is null or storage for a keeper, `temperature` is null or may be read, `order` is null or may be written.
 */
GapkeeperResult gapkeeper_temperature(struct GapkeeperKeeper *keeper,
                                      const struct GapkeeperTemperature *temperature,
                                      struct GapkeeperOrder *order);

/*
 A screw of the bed is going to be turned: every grid is stale from now on, and none is in force. Save, and only then
 turn. Nothing moves: the order is to wait, or to stop where a survey was moving the axes.

 # Safety
 `keeper` is null or storage for a keeper, `order` is null or may be written.
 */
GapkeeperResult gapkeeper_screw_turned(struct GapkeeperKeeper *keeper,
                                       struct GapkeeperOrder *order);

/*
 Bytes that a slot must have in a memory of this unit, as `GAPKEEPER_SLOT_SIZE(unit)`; a unit of 0 counts as 1.
 */
uint32_t gapkeeper_slot_size(uint32_t unit);

/*
 Begins a straight move: fetch its pieces with `gapkeeper_piece_next`. Pass `sizeof(GapkeeperPieces)`.

 # Safety
 `pieces` is null or may be written for `size` bytes, `keeper` is null or storage for a keeper, `motion` is null or
 may be read.
 */
GapkeeperResult gapkeeper_line_begin(struct GapkeeperPieces *pieces,
                                     size_t size,
                                     struct GapkeeperKeeper *keeper,
                                     const struct GapkeeperMove *motion);

/*
 The next piece of a move, or `GAPKEEPER_RESULT_END`. Pass the keeper that the move was begun with.

 # Safety
 `pieces` is null or storage for pieces, `keeper` is null or storage for a keeper, `piece` is null or may be written.
 */
GapkeeperResult gapkeeper_piece_next(struct GapkeeperPieces *pieces,
                                     const struct GapkeeperKeeper *keeper,
                                     struct GapkeeperPiece *piece);

/*
 As `gapkeeper_piece_next`, with the further axis, `E`, scaled by the thickness that is laid while the shape fades. `E`
 begins where the move's begins and ends elsewhere than in the move: take the differences from piece to piece. Only
 what prints is scaled, forwards while X or Y travels.

 # Safety
 As for `gapkeeper_piece_next`, and `flow` is null or may be read and written.
 */
GapkeeperResult gapkeeper_piece_next_scaled(struct GapkeeperPieces *pieces,
                                            const struct GapkeeperKeeper *keeper,
                                            struct GapkeeperFlow *flow,
                                            struct GapkeeperPiece *piece);

/*
 Begins an arc: fetch its chords with `gapkeeper_chord_next` and give each to `gapkeeper_line_begin`. Pass
 `sizeof(GapkeeperChords)`.

 # Safety
 `chords` is null or may be written for `size` bytes, `keeper` is null or storage for a keeper, `arc` is null or may
 be read.
 */
GapkeeperResult gapkeeper_arc_begin(struct GapkeeperChords *chords,
                                    size_t size,
                                    struct GapkeeperKeeper *keeper,
                                    const struct GapkeeperArc *arc);

/*
 The next chord of an arc, a straight move at logical height, or `GAPKEEPER_RESULT_END`.

 # Safety
 `chords` is null or storage for chords, `motion` is null or may be written.
 */
GapkeeperResult gapkeeper_chord_next(struct GapkeeperChords *chords, struct GapkeeperMove *motion);

/*
 Logical position for a machine position, for reports and for stopping in mid-move. Both may be the same variable.

 # Safety
 `keeper` is null or storage for a keeper, `machine` is null or may be read, `logical` is null or may be written.
 */
GapkeeperResult gapkeeper_logical(const struct GapkeeperKeeper *keeper,
                                  const struct GapkeeperPoint *machine,
                                  struct GapkeeperPoint *logical);

/*
 Makes a memory for `gapkeeper_load` and `gapkeeper_save` of NOR flash. The memory refers to `*flash`, which stays where
 it is and as it is.

 # Safety
 `flash` is null or may be read, as long as the memory is used; its functions do what [`GapkeeperNorFlash`] says.
 `memory` is null or may be written.
 */
GapkeeperResult gapkeeper_nor_flash(const struct GapkeeperNorFlash *flash,
                                    struct GapkeeperMemory *memory);

/*
 A knob of one click a cycle that is steady for 2 ms, contacts to ground with pull-up resistors, a normally closed
 limit switch, 20 ms for both to settle, long presses from 800 ms on. Only `read_pin` is missing.

 # Safety
 `settings` is null or may be written.
 */
GapkeeperResult gapkeeper_panel_settings_default(struct GapkeeperPanelSettings *settings);

/*
 Makes a panel, whatever the storage held; nothing is read yet. Pass `sizeof(GapkeeperPanel)`. If it fails, the storage
 holds no panel. A panel stays where it is.

 # Safety
 `panel` is null or may be written for `size` bytes, and nobody polls it meanwhile; `settings` is null or may be read,
 and its function does what [`GapkeeperPanelSettings`] says as long as the panel is used.
 */
GapkeeperResult gapkeeper_panel_init(struct GapkeeperPanel *panel,
                                     size_t size,
                                     const struct GapkeeperPanelSettings *settings);

/*
 Reads all four pins, each millisecond, from one timer interrupt or one loop. The clock goes on while nothing polls; it
 may wrap around.

 # Safety
 `panel` is null or storage for a panel, and nobody else polls it meanwhile; `gapkeeper_panel_take` may be broken into.
 */
GapkeeperResult gapkeeper_panel_poll(struct GapkeeperPanel *panel,
                                     uint32_t now_ms);

/*
 Takes out what happened next, or `GAPKEEPER_RESULT_END`. A trip of the switch and a long press overtake all else, and
 what was turned and pressed before them is dropped.

 # Safety
 `panel` is null or storage for a panel, and nobody else takes from it meanwhile; `event` is null or may be written.
 */
GapkeeperResult gapkeeper_panel_take(struct GapkeeperPanel *panel,
                                     struct GapkeeperPanelEvent *event);

/*
 Drops the detents and short presses that wait. Call it when the screen has begun to ask something else, so that
 nobody's press answers a question that was not yet on it.

 # Safety
 As for `gapkeeper_panel_take`.
 */
GapkeeperResult gapkeeper_panel_drop_waiting(struct GapkeeperPanel *panel);

/*
 Loads all that is stored; nothing comes into force before homing. How much stack it takes is in README.md.

 `GAPKEEPER_RESULT_MEMORY_BLANK`: show the result's text and let a person say whether this memory is new; if it is,
 call `gapkeeper_begin_memory`. After any other failure show the text and go on uncorrected. A failed load leaves no
 grid, an unknown setup and a keeper that saves nothing until a load has succeeded; only after `UNSAVED`,
 `SURVEY_UNDER_WAY` and `WITHOUT_MEMORY` everything is as it was.

 # Safety
 `keeper` is null or storage for a keeper, `memory` is null or has functions that do what [`GapkeeperMemory`] says,
 `report` is null or may be written.
 */
GapkeeperResult gapkeeper_load(struct GapkeeperKeeper *keeper,
                               const struct GapkeeperMemory *memory,
                               struct GapkeeperLoadReport *report);

/*
 As `gapkeeper_load`, after a person or the build has confirmed that this memory is to be used from now on, whatever it
 holds: where no setup can be read, one is stored that no grid there was measured in. Where one can be read this is a
 plain load.

 # Safety
 As for `gapkeeper_load`.
 */
GapkeeperResult gapkeeper_begin_memory(struct GapkeeperKeeper *keeper,
                                       const struct GapkeeperMemory *memory,
                                       struct GapkeeperLoadReport *report);

/*
 Stores whatever is not saved yet and can be stored: the setup first, then each grid by itself. When it returns
 `GAPKEEPER_RESULT_OK`, all of it survives power loss. Else it returns the first failure, the report says what else was
 stored, and calling again is safe. The report is written unless a pointer or the memory's sizes are refused.

 It waits for the memory all the while; `gapkeeper_save_step` does the same in pieces.

 # Safety
 As for `gapkeeper_load`.
 */
GapkeeperResult gapkeeper_save(struct GapkeeperKeeper *keeper,
                               const struct GapkeeperMemory *memory,
                               struct GapkeeperSaveReport *report);

/*
 Makes a store for `gapkeeper_save_step`, whatever the storage held; nothing is read or written yet. Pass
 `sizeof(GapkeeperStore)`. If it fails, the storage holds no store. What a save before had begun there ends as a power cut
 would end it, and is still unsaved.

 # Safety
 `store` is null or may be written for `size` bytes; `memory` is null or has functions that do what [`GapkeeperMemory`]
 says, as long as the store is used.
 */
GapkeeperResult gapkeeper_store_begin(struct GapkeeperStore *store,
                                      size_t size,
                                      const struct GapkeeperMemory *memory);

/*
 One step of a save: one access to the memory at most, and the main loop goes on in between. After
 `GAPKEEPER_RESULT_OK` there is more to do, after `GAPKEEPER_RESULT_END` nothing is left. Whatever changes between two
 steps is saved too, and a turned screw before all else.

 Any other result names one thing that could not be stored; further calls go on with the others. What failed is tried
 again after `END`, so `END` with `unsaved` in the status means that something failed.

 A step is a change of the keeper: take all pieces of a move before the next step. A step that is not called leaves what a
 power cut would leave there.

 # Safety
 `keeper` is null or storage for a keeper; `store` is null or storage for a store, whose memory is still there.
 */
GapkeeperResult gapkeeper_save_step(struct GapkeeperKeeper *keeper,
                                    struct GapkeeperStore *store);

/*
 What a person should see during a survey, as numbers.

 # Safety
 `keeper` is null or storage for a keeper, `prompt` is null or may be written.
 */
GapkeeperResult gapkeeper_prompt(const struct GapkeeperKeeper *keeper, struct GapkeeperPrompt *prompt);

/*
 What a person should see during a survey, up to four lines of twenty characters; the last says what is hot.
 `GAPKEEPER_SCREEN_TEXT_SIZE` bytes are enough.

 # Safety
 `keeper` is null or storage for a keeper, `text` is null or may be written for `size` bytes.
 */
GapkeeperResult gapkeeper_prompt_text(const struct GapkeeperKeeper *keeper, char *text, size_t size);

/*
 What a screen should know.

 # Safety
 `keeper` is null or storage for a keeper, `status` is null or may be written.
 */
GapkeeperResult gapkeeper_status(const struct GapkeeperKeeper *keeper, struct GapkeeperStatus *status);

/*
 The status as up to four lines of twenty characters, or the survey's prompt while one is under way.
 `GAPKEEPER_SCREEN_TEXT_SIZE` bytes are enough.

 # Safety
 `keeper` is null or storage for a keeper, `text` is null or may be written for `size` bytes.
 */
GapkeeperResult gapkeeper_status_text(const struct GapkeeperKeeper *keeper, char *text, size_t size);

/*
 Which grid was chosen last, or why none. Of a grid that would be right and cannot be put in force it says why, and what
 to do. `GAPKEEPER_RESULT_TEXT_SIZE` bytes are enough.

 # Safety
 `keeper` is null or storage for a keeper, `text` is null or may be written for `size` bytes.
 */
GapkeeperResult gapkeeper_choice_text(const struct GapkeeperKeeper *keeper,
                                      char *text,
                                      size_t size);

/*
 What a result means and what to do. With the keeper that refused, the text has the numbers of the last refusal; with
 a null pointer it is general. `GAPKEEPER_RESULT_TEXT_SIZE` bytes are enough.

 # Safety
 `keeper` is null or storage for a keeper, `text` is null or may be written for `size` bytes.
 */
GapkeeperResult gapkeeper_result_text(const struct GapkeeperKeeper *keeper,
                                      uint8_t result,
                                      char *text,
                                      size_t size);

/*
 Settings for a cold survey with office paper, a knob of 10 um and careful limits.

 # Safety
 `settings` is null or may be written.
 */
GapkeeperResult gapkeeper_survey_settings_default(struct GapkeeperSurveySettings *settings);

/*
 Begins a survey of all nodes of a lattice, row by row and to and fro, and of the middles between them if the settings
 ask for them; the nozzle stands at machine height `z_um`.
 Nothing moves yet. The grid in force waits, and holds again if the survey is aborted.

 # Safety
 `keeper` is null or storage for a keeper, `stations` and `settings` are null or may be read, `order` is null or may
 be written.
 */
GapkeeperResult gapkeeper_survey_begin(struct GapkeeperKeeper *keeper,
                                       const struct GapkeeperLattice *stations,
                                       const struct GapkeeperSurveySettings *settings,
                                       int32_t z_um,
                                       struct GapkeeperOrder *order);

/*
 Gives an event to the survey and says what is to be done. A limit switch is taken in without a survey too, and leaves
 moves under way alone then.

 # Safety
 `keeper` is null or storage for a keeper, `event` is null or may be read, `order` is null or may be written.
 */
GapkeeperResult gapkeeper_survey_event(struct GapkeeperKeeper *keeper,
                                       const struct GapkeeperEvent *event,
                                       struct GapkeeperOrder *order);

/*
 The order that is due in the survey under way, to be asked for again; without a survey it is to wait.

 # Safety
 `keeper` is null or storage for a keeper, `order` is null or may be written.
 */
GapkeeperResult gapkeeper_order_due(const struct GapkeeperKeeper *keeper, struct GapkeeperOrder *order);

/*
 How well the readings agree with each other: of the survey under way once all are taken, without one of the grid in force
 if it was measured since the power came on. Nothing is known where the stations have no weights: only of 3 by 3 with
 middles and of 5 by 5.

 # Safety
 `keeper` is null or storage for a keeper, `agreement` is null or may be written.
 */
GapkeeperResult gapkeeper_agreement(const struct GapkeeperKeeper *keeper,
                                    struct GapkeeperAgreement *agreement);

/*
 Begins a tie: a survey of the stations nearest to the screws and of the one in the middle, which brings the grid of the
 newest setup near `bed_temperature_c` to the screws as they stand now. The plate must be the same, the same side up. Of the
 screws only their places matter, of the settings all but `middles`. Events, orders and prompts are those of
 `gapkeeper_survey_begin`; `GAPKEEPER_PROMPT_KIND_TIE_REFUSED` comes besides.

 `GAPKEEPER_RESULT_TIE` without such a grid, or once it has been tied three times: a whole survey is needed.

 # Safety
 `keeper` is null or storage for a keeper, `settings` and `screws` are null or may be read, `order` is null or may be
 written.
 */
GapkeeperResult gapkeeper_tie_begin(struct GapkeeperKeeper *keeper,
                                    const struct GapkeeperSurveySettings *settings,
                                    const struct GapkeeperScrews *screws,
                                    int32_t z_um,
                                    struct GapkeeperOrder *order);

#ifdef __cplusplus
}  // extern "C"
#endif  // __cplusplus

#endif  /* GAPKEEPER_H */
