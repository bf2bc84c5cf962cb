/* Where an operating point lies in a table: learner/core/table.py. */
#include "breathmap_learner.h"

bool bl_table_inside(const struct bl_table *table, double speed_rpm, double load)
{
    return table->speed_rpm[0] <= speed_rpm && speed_rpm <= table->speed_rpm[table->speed_count - 1]
        && table->load[0] <= load && load <= table->load[table->load_count - 1];
}

/* The interval of an axis, begun from the last one: operating points wander, they do not jump. */
static int32_t walk(const double *axis, int32_t last, int32_t at, double value)
{
    while (at < last && value >= axis[at + 1]) at++;
    while (at > 0 && value < axis[at]) at--;
    return at;
}

static double clamp(double share)
{
    if (share > 1.0) return 1.0;
    return share > 0.0 ? share : 0.0;
}

bool bl_table_locate(struct bl_table *table, double speed_rpm, double load)
{
    const double *axis = table->speed_rpm;
    int32_t column = walk(axis, table->speed_count - 2, table->column, speed_rpm);
    table->column = column;
    double across = (speed_rpm - axis[column]) / (axis[column + 1] - axis[column]);

    axis = table->load;
    int32_t row = walk(axis, table->load_count - 2, table->row, load);
    table->row = row;
    double up = (load - axis[row]) / (axis[row + 1] - axis[row]);

    /* Written so that NaN fails, too. */
    bool is_inside = 0.0 <= across && across <= 1.0 && 0.0 <= up && up <= 1.0;
    if (!is_inside) {
        across = clamp(across);
        up = clamp(up);
    }
    const bl_real *cells = table->cells;
    int32_t index = row * table->speed_count + column;
    int32_t above = index + table->speed_count;
    double a = (1.0 - across) * (1.0 - up) * (double)cells[index];
    double b = across * (1.0 - up) * (double)cells[index + 1];
    double c = (1.0 - across) * up * (double)cells[above];
    double d = across * up * (double)cells[above + 1];
    double total = a + b + c + d;
    table->index = index;
    table->v0 = a / total;
    table->v1 = b / total;
    table->v2 = c / total;
    table->v3 = d / total;
    table->ve_pct = total;
    return is_inside;
}
