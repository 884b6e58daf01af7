/* What is usually written first: the same bed in floats, millimetres, and a division by the pitch for every point. */
#ifndef NAIVE_H
#define NAIVE_H

#include <stdint.h>

#define NAIVE_NODES 9

struct naive_grid {
    float x0_mm, y0_mm, pitch_x_mm, pitch_y_mm;
    float height_mm[NAIVE_NODES][NAIVE_NODES];
};

/* Millimetres for whole micrometres: so that no float is computed outside this file and its own library. */
float naive_mm(int32_t um);

/* Height of the bed, bilinear, the edge held outside. */
float naive_height(const struct naive_grid *grid, float x_mm, float y_mm);

/* Splits a level move from (x, y) to (x, y) into equal parts of 1 mm at most; every end goes to `end`. Returns how many. */
int naive_split(const struct naive_grid *grid, const float from_to_mm[4], float z_mm, volatile float end[3]);

#endif
