/* One report of the hand control after another, from counts to the target of an axis: an example to build on. */
#include "ladder.h"

/* Yours: where an axis is commanded to be now, where it would rest if it braked now, and where it shall go how fast
   (0: it brakes). */
extern uint32_t commanded(uint8_t axis), rests_at(uint8_t axis);
extern void go_to(uint8_t axis, uint32_t target, uint32_t top_steps_s);

static jt_knob knob;
static uint32_t target[JT_AXES], rest[JT_AXES]; /* targets in steps; they may wrap round */
static uint8_t running;                         /* 0: just switched on, or nothing was heard for JT_SILENCE_US */

void on_silence(void) /* call it when no report was heard for JT_SILENCE_US, and where an enabling button is let go */
{
    uint8_t axis;
    for (axis = 0; axis < JT_AXES; axis++) {
        target[axis] = rests_at(axis);
        rest[axis] = jt_rest(axis);
        go_to(axis, target[axis], 0);
    }
    running = 0;
}

void on_report(uint16_t count, uint8_t axis, uint8_t position, uint8_t someone_near)
{
    const jt_move *move = jt_knob_at(axis, position);
    const uint8_t now = jt_nearest(axis, 0, JT_AXES - 1);
    if (!running) { /* the first report tells where the knob is and moves nothing: what was turned before is gone */
        on_silence();
        jt_knob_start(&knob, count);
        running = 1;
    }
    target[now] += (uint32_t)jt_steps(now, move, jt_granted(now, move, jt_clicks(&knob, count),
                                      (int32_t)(target[now] - commanded(now)), rest[now]), &rest[now]);
    for (axis = 0; axis < JT_AXES; axis++) {
        target[axis] = jt_top(axis, someone_near) ? target[axis] : rests_at(axis); /* not to be made up for later */
        go_to(axis, target[axis], jt_top(axis, someone_near));
    }
}
