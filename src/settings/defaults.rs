//! What every tunable is when a study says nothing; reasons and sources stand in `documented.rs`.

use super::{CeilingN, Compare, Detect, FeedbackSettings, Filter, Mat, Plausible, RegionBands, Technique, WindowN};

impl Default for FeedbackSettings {
    fn default() -> Self {
        FeedbackSettings {
            faded_percent: [100.0, 25.0],
            faded_block: 4,
            faded_blocks: 4,
            summary_tests: 5,
        }
    }
}

impl Default for Mat {
    fn default() -> Self {
        Mat {
            threshold_sigma: 5.0,
            threshold_kpa: 0.5,
            gain_u_percent: 5.0,
            non_uniformity_percent: 5.0,
            creep_percent: 3.0,
        }
    }
}

impl Default for Compare {
    fn default() -> Self {
        Compare {
            threshold_percent: 15.0,
            confidence: 0.95,
            false_discovery_rate: 0.05,
            max_trials: 5,
            single_trial_sem_percent: 14.5,
        }
    }
}

impl Default for Filter {
    fn default() -> Self {
        Filter { low_pass_hz: 20.0 }
    }
}

impl Default for Detect {
    fn default() -> Self {
        Detect {
            contact_floor_n: 1.0,
            contact_sigma: 5.0,
            contact_hold_s: 0.03,
            spring_prominence_mm: 0.5,
            spring_sigma: 6.0,
            spring_window_s: 0.75,
            force_prominence_share: 0.4,
        }
    }
}

impl Default for CeilingN {
    fn default() -> Self {
        CeilingN {
            neck: 60.0,
            thoracic: 105.0,
            lumbar: 175.0,
            sacral: 175.0,
        }
    }
}

impl Default for WindowN {
    fn default() -> Self {
        WindowN {
            upper_neck: [7.0, 40.0],
            lower_neck: [20.0, 70.0],
            elsewhere: [30.0, 100.0],
        }
    }
}

impl Default for Technique {
    fn default() -> Self {
        Technique {
            excursion_mm: [2.0, 4.4],
            time_to_peak_min_s: 0.10,
            hold_sd_percent: 5.0,
            between_springs_percent: 50.0,
            hand_share_percent: [40.0, 60.0],
            peak_cv_percent: 10.0,
            line_of_drive_deg: 15.0,
            neck: RegionBands::default(),
            thoracic: RegionBands::default(),
            lumbar: RegionBands::default(),
            sacral: RegionBands::default(),
        }
    }
}

impl Default for Plausible {
    fn default() -> Self {
        Plausible {
            force_n: 1500.0,
            displacement_mm: 200.0,
            stiffness_n_per_mm: 200.0,
            rate_hz: 20_000.0,
            zero_n: 10.0,
            zero_drift_n: 2.0,
        }
    }
}
