//! What each setting is for and where its default comes from: one entry a key.

/// One documented setting.
#[derive(Debug, Clone, Copy)]
pub struct SettingInfo {
    /// Dotted key, as in study.toml (`compare.threshold_percent`).
    pub key: &'static str,
    pub unit: &'static str,
    /// Why it is there and what it does.
    pub reason: &'static str,
    /// Where the default comes from.
    pub source: &'static str,
}

pub(super) const fn info(
    key: &'static str,
    unit: &'static str,
    reason: &'static str,
    source: &'static str,
) -> SettingInfo {
    SettingInfo {
        key,
        unit,
        reason,
        source,
    }
}

/// Every setting, in the order of the report.
pub const SETTINGS: &[SettingInfo] = &[
    info(
        "compare.threshold_percent",
        "%",
        "a side is named only when the difference is significantly beyond this",
        "common practice; fixed 10-15 % limits are widespread and poorly supported (Parkinson et al. 2021, J Sports Sci Med 20:594-617)",
    ),
    info(
        "compare.confidence",
        "",
        "coverage of the intervals of asymmetry",
        "convention",
    ),
    info(
        "compare.false_discovery_rate",
        "",
        "share of named sides that may be wrong, over the levels of one scan",
        "convention (Benjamini & Hochberg 1995, J R Stat Soc B 57:289-300)",
    ),
    info(
        "compare.max_trials",
        "trials a side",
        "beyond this many an undecided level is called not decidable in one session",
        "our choice: tissue and examiner tire",
    ),
    info(
        "compare.single_trial_sem_percent",
        "%",
        "spread of one test against its repetition, used only when a side has one trial and the lab has measured none",
        "1.62 N/mm on 11.2 N/mm, hand-driven indentation (Owens et al. 2007, JMPT 30:116-123)",
    ),
    info(
        "filter.low_pass_hz",
        "Hz",
        "cut-off (-3 dB of both passes) of the zero-phase low pass on force and displacement",
        "our choice: springs last 0.3-0.5 s; hand techniques hold 0.1-4.5 Hz (Gorrell et al. 2023, PLoS One 18:e0289462)",
    ),
    info(
        "detect.contact_floor_n",
        "N",
        "smallest filtered force that counts as contact",
        "simulation",
    ),
    info(
        "detect.contact_sigma",
        "standard deviations",
        "contact needs this many standard deviations of the filtered unloaded noise",
        "simulation",
    ),
    info(
        "detect.contact_hold_s",
        "s",
        "force must stay over the contact limit this long",
        "simulation",
    ),
    info(
        "detect.spring_prominence_mm",
        "mm",
        "smallest displacement that counts as a spring",
        "simulation: above breathing and tremor, far below the 3.2 mm that is taught",
    ),
    info(
        "detect.spring_sigma",
        "standard deviations",
        "a spring must stand this many standard deviations of the filtered noise above its surroundings",
        "simulation",
    ),
    info(
        "detect.spring_window_s",
        "s",
        "surroundings of a spring, before and after its peak; also the detector's look-ahead",
        "simulation: longer windows take breathing for springs",
    ),
    info(
        "detect.force_prominence_share",
        "",
        "without displacement, a spring needs this share of the test's largest force prominence",
        "simulation",
    ),
    info(
        "ceiling_n.neck",
        "N",
        "force warned of in the neck; the lab must set its own",
        "grade IV mean 61.0 N (Snodgrass 2007, JMPT 30:17-25)",
    ),
    info(
        "ceiling_n.thoracic",
        "N",
        "force warned of in the thoracic region; the lab must set its own",
        "assessment mean 104.9 N (a graduate thesis, not peer reviewed)",
    ),
    info(
        "ceiling_n.lumbar",
        "N",
        "force warned of in the lumbar region; the lab must set its own",
        "median 175 N (a thesis; experts range over 63-347 N, Harms & Bader 1997, Clin Biomech 12:393-399)",
    ),
    info(
        "ceiling_n.sacral",
        "N",
        "force warned of at the sacral base and SI; the lab must set its own",
        "the lumbar value: no source was found",
    ),
    info(
        "window_n.upper_neck",
        "N",
        "loads between which window stiffness is taken, C2 to C4",
        "linear region at C2 (Snodgrass 2008, Manual Therapy 13:520-528)",
    ),
    info(
        "window_n.lower_neck",
        "N",
        "loads between which window stiffness is taken, C5 to C7",
        "linear region at C7 (Snodgrass 2008, Manual Therapy 13:520-528); the levels between are our choice",
    ),
    info(
        "window_n.elsewhere",
        "N",
        "loads between which window stiffness is taken, elsewhere",
        "the usual 30-100 N (Lee, Latimer & Maher 1997, JMPT 20:369-371)",
    ),
    info(
        "technique.excursion_mm",
        "mm",
        "band for the excursion of a spring",
        "3.2 +/- 1.2 mm (1/8 in): common practice, no source",
    ),
    info(
        "technique.time_to_peak_min_s",
        "s",
        "a spring that loads faster is called quick",
        "our choice: an easy 0.5 s spring takes 0.15 s",
    ),
    info(
        "technique.hold_sd_percent",
        "% of preload",
        "a hold that varies more is called unsteady",
        "our choice",
    ),
    info(
        "technique.between_springs_percent",
        "% of preload",
        "a force between springs below this is said to have come off",
        "our choice",
    ),
    info(
        "technique.hand_share_percent",
        "%",
        "band for the share of force of one hand at preload",
        "our choice",
    ),
    info(
        "technique.peak_cv_percent",
        "%",
        "springs whose peaks vary more are called uneven",
        "our choice",
    ),
    info(
        "technique.line_of_drive_deg",
        "deg",
        "mean departure from the planned line of drive that is named",
        "common practice, no source",
    ),
    info(
        "instrument.plinth_compliance_mm_per_n",
        "mm/N",
        "give of the plinth or stand, taken off the displacement",
        "0 until the lab measures it",
    ),
    info(
        "instrument.force_delay_ms",
        "ms",
        "lag of the force channel behind displacement, taken out",
        "0 until measured on a reference spring",
    ),
    info(
        "mat.threshold_sigma",
        "standard deviations",
        "a cell of a pressure mat is loaded over this many standard deviations of an unloaded cell's reading",
        "our choice: of 2,000 cells less than one a thousand frames passes 5 by chance",
    ),
    info(
        "mat.threshold_kpa",
        "kPa",
        "a cell of a pressure mat is never loaded under this",
        "our choice: a hand of 60 cm2 that presses with 3 N",
    ),
    info(
        "mat.gain_u_percent",
        "%",
        "standard uncertainty of a mat's gain, where its sidecar names none; common to both sides",
        "common practice, no source: sheet sensors are stated to about 10 % at 95 %; calibrate your own under known loads",
    ),
    info(
        "mat.non_uniformity_percent",
        "%",
        "standard deviation of the cells' gains among each other, where the sidecar names none",
        "common practice, no source: equilibrated sheet sensors are stated to within 10 %",
    ),
    info(
        "mat.creep_percent",
        "%",
        "rise of a mat's reading under a steady load for each tenfold time, where the sidecar names none",
        "common practice, no source: sheet sensors are stated to 3 to 5 % a decade of time",
    ),
    info(
        "feedback.faded_percent",
        "% of tests",
        "faded feedback: share of the tests with feedback in the first block, and from the last block on",
        "falling over practice: Winstein & Schmidt 1990, J Exp Psychol Learn Mem Cogn 16:677-691; the numbers are our choice",
    ),
    info(
        "feedback.faded_block",
        "tests",
        "faded feedback: the share stays the same over so many tests of a learner",
        "our choice: a class plan of 8 to 12 presses holds two or three blocks",
    ),
    info(
        "feedback.faded_blocks",
        "blocks",
        "faded feedback: the share falls evenly over so many blocks",
        "our choice",
    ),
    info(
        "feedback.summary_tests",
        "tests",
        "summary feedback: given after so many tests, for all of them",
        "five were best of 1, 5, 10 and 15 for a task of more than one dimension (Schmidt, Lange & Young 1990, Hum Mov Sci 9:325-348)",
    ),
    info(
        "plausible.force_n",
        "N",
        "a recording whose force passes this is refused: its unit is most likely wrong",
        "our choice: about twice the weight of a heavy examiner",
    ),
    info(
        "plausible.displacement_mm",
        "mm",
        "a recording whose displacement spans more than this is refused: its unit is most likely wrong",
        "our choice: no hand goes so far into a body",
    ),
    info(
        "plausible.stiffness_n_per_mm",
        "N/mm",
        "a test whose end-feel, window or secant stiffness passes this is left out: force and displacement do not belong together",
        "our choice: ten times what spines give",
    ),
    info(
        "plausible.rate_hz",
        "Hz",
        "a recording with more samples a second is refused: the unit of its time is most likely wrong",
        "our choice: load cells for hands are read at 10 kHz at the most",
    ),
    info(
        "plausible.zero_n",
        "N",
        "a zero further from nothing than this is named with every test that it is taken off: it may be a load on the sensor",
        "our choice: a sensor that was tared stands within a few newtons of nothing",
    ),
    info(
        "plausible.zero_drift_n",
        "N",
        "a zero that differs by more than this before and after a test is named with it",
        "our choice: twice the contact limit",
    ),
];
