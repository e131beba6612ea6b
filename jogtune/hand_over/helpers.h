/* Parts whose tables must be told into flash define both before including this file: JT_FLASH stands behind the
   name of a table, JT_READ_32(place) reads 4 bytes from where it is then. They hold for JT_BY_AXIS and JT_MOVES. */
#ifndef JT_FLASH
#define JT_FLASH
#define JT_READ_32(place) (*(place))
#endif

enum { JT_EXACT = 0, JT_EVEN = 1, JT_TRAVEL = 2 }; /* a travel rung loses clicks at a steady hand's rate */

typedef struct jt_axis {        /* an axis in motor steps, rounded down; JT_BY_AXIS[JT_AXIS_...] */
    uint32_t parts;             /* parts of a step in which remainders are kept; 1: there are none */
    uint32_t limit_steps;       /* target ahead of the commanded position at most: whole clicks beyond are dropped */
    uint32_t jog_top_steps_s;   /* jog speed for knob and buttons */
    uint32_t calm_steps_s;      /* clamp with someone near; 0: not known, so nothing may move then */
    uint32_t stick_top_steps_s; /* a stick's speed at full throw; 0: no stick */
    uint32_t top_speed_steps_s;
    uint32_t ramp_steps_s2;
    uint32_t reach_steps;
} jt_axis;

typedef struct jt_move {        /* a click of the knob or a press of a step button on an axis */
    uint32_t whole;             /* motor steps = whole + part / parts of the axis */
    uint32_t part;
    uint32_t nanometres;        /* the distance in millionths of a mm, or of a degree on a rotary axis, rounded */
} jt_move;

/* All of the same once more, with names, for a screen or a test: */
typedef struct jt_rung {
    uint8_t position;                  /* selector position, 1 is the finest */
    const char *axis;                  /* the axis this record is for */
    const char *unit;                  /* mm or deg: the unit of the gain on this axis */
    uint32_t multiplier;               /* gain = multiplier x base */
    uint32_t gain_numerator;           /* distance per click, numerator / denominator */
    uint32_t gain_denominator;
    uint32_t steps_numerator;          /* motor steps per click, numerator / denominator */
    uint32_t steps_denominator;        /* 1: whole steps, no remainder to keep */
    uint32_t axis_denominator;         /* the same on every rung of the axis: remainders are kept in it */
    uint8_t exact;                     /* 0: steps per distance are irrational or rounded */
    uint8_t near_people;               /* 1: a stray click stays within the calm speed; 0: it doesn't, or not known */
                                       /* (turned fast, a 1 may pass the calm speed too: clamp, JT_CALM_STEPS_S_n) */
    uint32_t full_speed_millidetents_s; /* turned faster than this, the axis can't keep up */
    uint32_t top_speed_steps_s;        /* top speed of the axis, rounded down */
    uint32_t ramp_steps_s2;            /* its acceleration, rounded down */
    uint32_t reach_steps;              /* its usable travel, rounded down */
    const char *mm_per_click;          /* the gain in plain digits, in mm or deg */
    uint8_t kind;                      /* JT_EXACT, JT_EVEN or JT_TRAVEL */
    uint32_t free_millidetents_s;      /* no click is lost up to this rate */
} jt_rung;

/* TABLES */

/* Helpers. Axes count from 0, positions and buttons from 1; a number beyond the ends takes the nearest. They keep
   nothing of their own and have no 64-bit and no division but by a constant, so they may run inside an interrupt, as
   long as one place alone touches each jt_knob, `rest` and target; elsewhere read those with interrupts off.
   Compiled for avr (8 bits, -Os) and counted by a simulator: jt_clicks about 60 cycles, jt_granted 310 and 240 a
   click, jt_steps 150 and 165 a click. RAM: 4 bytes a jt_knob, 4 a `rest`. The two tables take 32 bytes an axis and
   12 for each of its positions and buttons, in flash where JT_FLASH says so. */
static inline uint8_t jt_nearest(uint8_t number, uint8_t first, uint8_t last)
{
    return number < first ? first : number > last ? last : number;
}

static inline const jt_axis *jt_axis_at(uint8_t axis)
{
    return &JT_BY_AXIS[jt_nearest(axis, 0, JT_AXES - 1)];
}

static inline const jt_move *jt_knob_at(uint8_t axis, uint8_t position)
{
    return &JT_MOVES[jt_nearest(axis, 0, JT_AXES - 1)][jt_nearest(position, 1, JT_POSITIONS) - 1];
}

#if JT_BUTTONS > 0
static inline const jt_move *jt_button_at(uint8_t axis, uint8_t button)
{
    return &JT_MOVES[jt_nearest(axis, 0, JT_AXES - 1)][JT_POSITIONS + jt_nearest(button, 1, JT_BUTTONS) - 1];
}
#endif

/* The speed to allow on an axis [steps/s]: the jog speed, clamped with someone near; 0: nothing may move. */
static inline uint32_t jt_top(uint8_t axis, uint8_t someone_near)
{
    const uint32_t top = JT_READ_32(&jt_axis_at(axis)->jog_top_steps_s);
    const uint32_t calm = JT_READ_32(&jt_axis_at(axis)->calm_steps_s);
    return someone_near && calm < top ? calm : top;
}

/* Counts to clicks. A click is a whole detent on from the last one, so a count that bounces at its edge makes none
   (where a detent is one count, a bounce can't be told from a click). A jump of more than JT_GLITCH_COUNTS between
   two reports that were heard is dropped. The parts of a click are kept over reversals and jumps. */
typedef struct jt_knob {
    uint16_t last;              /* the count last heard */
    uint16_t detent;            /* the count of the last click */
} jt_knob;

static inline void jt_knob_start(jt_knob *knob, uint16_t count)
{
    knob->last = knob->detent = count;
}

static inline int16_t jt_clicks(jt_knob *knob, uint16_t count)
{
    const int16_t change = (int16_t)(uint16_t)(count - knob->last);
    int16_t clicks;
    knob->last = count;
    if (change > JT_GLITCH_COUNTS || change < -JT_GLITCH_COUNTS) {
        knob->detent = (uint16_t)(knob->detent + change);
    }
    clicks = (int16_t)((int16_t)(uint16_t)(count - knob->detent) / JT_COUNTS_PER_DETENT);
    knob->detent = (uint16_t)(knob->detent + clicks * JT_COUNTS_PER_DETENT);
    return clicks;
}

/* Where `rest`, the parts of a step that are kept on an axis, begins: half a step, so that steps are rounded. */
static inline uint32_t jt_rest(uint8_t axis)
{
    return JT_READ_32(&jt_axis_at(axis)->parts) / 2;
}

/* Steps of one click or press up (1) or down (-1); keeps the remainder in `rest`. */
static inline int32_t jt_one(const jt_axis *axis, const jt_move *move, int8_t way, uint32_t *rest)
{
    const uint32_t part = JT_READ_32(&move->part), parts = JT_READ_32(&axis->parts);
    const int32_t whole = (int32_t)JT_READ_32(&move->whole);
    if (way > 0) {
        *rest += part;
        if (*rest < parts) {
            return whole;
        }
        *rest -= parts;
        return whole + 1;
    }
    if (*rest >= part) {
        *rest -= part;
        return -whole;
    }
    *rest += parts - part;
    return -whole - 1;
}

/* How many of the clicks fit the limit; `lead` is target less commanded position [steps]. Whole clicks only, and
   additions alone are limited: nothing draws the target back. Clicks not granted are lost: forget them. */
static inline int16_t jt_granted(uint8_t axis, const jt_move *move, int16_t clicks, int32_t lead, uint32_t rest)
{
    const jt_axis *the = jt_axis_at(axis);
    const int8_t way = clicks < 0 ? -1 : 1;
    int32_t room = (int32_t)JT_READ_32(&the->limit_steps) - way * lead;
    int16_t granted = 0;
    while (granted != clicks) {
        room -= way * jt_one(the, move, way, &rest);
        if (room < 0) {
            break;
        }
        granted = (int16_t)(granted + way);
    }
    return granted;
}

/* The steps of clicks that were granted. Keep one `rest` per axis, whatever rung or button moves it. */
static inline int32_t jt_steps(uint8_t axis, const jt_move *move, int16_t clicks, uint32_t *rest)
{
    int32_t steps = 0;
    for (; clicks > 0; clicks--) {
        steps += jt_one(jt_axis_at(axis), move, 1, rest);
    }
    for (; clicks < 0; clicks++) {
        steps += jt_one(jt_axis_at(axis), move, -1, rest);
    }
    return steps;
}

/* The next two count in 64 bits, for a test or a screen. Steps from the start after a signed number of clicks:
   floor(clicks * steps + 1/2), exact. */
static inline int64_t jt_steps_at(const jt_rung *rung, int64_t clicks)
{
    const int64_t below = 2 * (int64_t)rung->steps_denominator;
    const int64_t above = 2 * clicks * (int64_t)rung->steps_numerator + (int64_t)rung->steps_denominator;
    return above >= 0 ? above / below : -((-above + below - 1) / below);
}

/* Steps to make for one click up (1) or down (-1). Keep one `rest` per axis, set it to
   axis_denominator / 2 once at the start, and leave it alone when the rung changes: no remainder is lost. */
static inline int32_t jt_click(const jt_rung *rung, int way, int64_t *rest)
{
    const int64_t below = (int64_t)rung->axis_denominator;
    int64_t steps;
    *rest += (int64_t)way * (int64_t)rung->steps_numerator * (below / (int64_t)rung->steps_denominator);
    steps = *rest >= 0 ? *rest / below : -((-*rest + below - 1) / below);
    *rest -= steps * below;
    return (int32_t)steps;
}

#ifdef JT_WITH_FLOAT
#include <math.h>
/* The distance of a click or press [mm, or degrees on a rotary axis]. */
static inline float jt_distance(const jt_move *move)
{
    return 1e-6f * (float)JT_READ_32(&move->nanometres);
}
#ifdef JT_STICK_DEAD_PERMILLE
/* The speed a stick asks for [steps/s]; `throw_share` is -1 to 1, `someone_near` clamps it. */
static inline float jt_stick(uint8_t axis, float throw_share, uint8_t someone_near)
{
    const float dead = JT_STICK_DEAD_PERMILLE / 1000.0f, power = JT_STICK_EXPONENT_PERMILLE / 1000.0f;
    const float top = (float)JT_READ_32(&jt_axis_at(axis)->stick_top_steps_s);
    const float calm = (float)JT_READ_32(&jt_axis_at(axis)->calm_steps_s), size = fabsf(throw_share);
    const float asked = size > dead ? top * powf(fminf((size - dead) / (1.0f - dead), 1.0f), power) : 0.0f;
    return copysignf(someone_near ? fminf(asked, calm) : asked, throw_share);
}
#endif
#endif
