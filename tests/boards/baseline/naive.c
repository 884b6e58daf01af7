#include "naive.h"

float naive_mm(int32_t um)
{
    return (float)um / 1000.0f;
}

static int cell(float position, float *rest)
{
    int index;
    if (position < 0.0f) {
        position = 0.0f;
    }
    if (position > (float)(NAIVE_NODES - 1)) {
        position = (float)(NAIVE_NODES - 1);
    }
    index = (int)position;
    if (index > NAIVE_NODES - 2) {
        index = NAIVE_NODES - 2;
    }
    *rest = position - (float)index;
    return index;
}

float naive_height(const struct naive_grid *grid, float x_mm, float y_mm)
{
    float u, v;
    int column = cell((x_mm - grid->x0_mm) / grid->pitch_x_mm, &u);
    int row = cell((y_mm - grid->y0_mm) / grid->pitch_y_mm, &v);
    const float *near = &grid->height_mm[row][column];
    const float *far = near + NAIVE_NODES;
    float at_near = near[0] + (near[1] - near[0]) * u;
    float at_far = far[0] + (far[1] - far[0]) * u;
    return at_near + (at_far - at_near) * v;
}

int naive_split(const struct naive_grid *grid, const float from_to_mm[4], float z_mm, volatile float end[3])
{
    float dx = from_to_mm[2] - from_to_mm[0], dy = from_to_mm[3] - from_to_mm[1];
    /* The longer side stands in for the length, which spares a square root. */
    float longest = dx < 0.0f ? -dx : dx;
    float other = dy < 0.0f ? -dy : dy;
    int parts, part;
    if (other > longest) {
        longest = other;
    }
    parts = (int)longest + 1;
    for (part = 1; part <= parts; part++) {
        float share = (float)part / (float)parts;
        float x = from_to_mm[0] + dx * share, y = from_to_mm[1] + dy * share;
        end[0] = x;
        end[1] = y;
        end[2] = z_mm + naive_height(grid, x, y);
    }
    return parts;
}
