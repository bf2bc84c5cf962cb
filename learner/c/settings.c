/* What the learner must know of one engine: the defaults of learner/core/settings.py. */
#include "breathmap_learner.h"

void bl_limits_init(struct bl_limits *limits)
{
    *limits = (struct bl_limits){
        .speed_min_rpm = 500.0,
        .coolant_min_c = 70.0,
        .coolant_max_c = 115.0,
        .battery_min_v = 11.5,
        .lambda_min = 0.65,
        .lambda_max = 1.40,
        .fuel_cut_recovery_s = 1.5,
        .enrichment_recovery_s = 0.5,
        .throttle_travel_max_pct = 25.0,
        .load_travel_max = 15.0,
        .speed_travel_max_rpm = 750.0,
        .load_travel_half = 3.0,
        .speed_travel_half_rpm = 150.0,
        .film_half = 0.1,
        .target_change_max = 0.005,
        .stuck_after_s = 3.0,
        .loop_turn_max_s = 1.5,
        .gap_max_s = 0.25,
    };
}

void bl_settings_init(struct bl_settings *settings)
{
    *settings = (struct bl_settings){
        .film_s = 0.35, .history_s = 2.5, .noise = 0.02, .film_terms = 3, .charge_lead = 1,
    };
    bl_limits_init(&settings->limits);
}
