//! Columns of `tests` and `springs`, and those that several tables share.

use super::column::columns;

columns! {
    // Columns that several tables share.
    RECORDING = "recording": Text, "path of the recording, relative to the input given";
    TEST = "test": Int, at "2.2",
        "episode of contact within the recording, from 1; both sides of a bilateral trace share it";
    SUBJECT = "subject": Text, "code of the subject";
    EXAMINER = "examiner": Text, "code of the examiner";
    SESSION = "session": Text, "code or date of the session";
    LEVEL = "level": Text, "level of the spine";
    SIDE = "side": Text, "the subject's side: left, right or midline";
    CONTACT = "contact": Text, "part of the hand: thumb, thumb_finger, thenar or reinforced";
    POSTURE = "posture": Text, "posture of the subject";
    LINE_OF_DRIVE = "line_of_drive_deg": Num, in "deg", at "1.8",
        "planned angle between the push and the skin, from the foot side: 90 is straight in";
    CORRECTED_BY = "corrected_by": List("; "), at "2.11",
        "entries of corrections.toml that the row rests on, each with the code of who made it; empty where nobody put anything right";
    COVERS = "covers": List(" "), "levels that one contact covered, when several";

    // Columns of `tests`, beside the measures.
    TRIAL = "trial": Int, "which test of this side and level it is";
    RATE = "rate_hz": Num, in "Hz", at "1.1", "samples a second: one over the step of the uniform time base";
    SAMPLES = "samples": Int, at "2.4", "samples from the first to the last in contact";
    SPRINGS = "springs": Int, at "2.9", "springs found, the first one included";
    WINDOW = "window": Text, at "3.5", "the two loads that the window stiffness lies between";
    KNEE_FOUND = "knee_found": Bool, at "4.9",
        "whether the push is shown to have gone past the toe; missing where it was not looked for";
    NOTES = "notes": List("; "),
        "what the reader of the row should know, each beginning with a short fixed phrase";
    LANDMARK = "landmark": Text, "bony landmark under the contact";
    SITE = "site": Text, "where it was recorded";
    RECORDED_AT = "recorded_at": Text, "when it was recorded, as the sidecar says";
    FEEDBACK = "feedback": Text, at "9.9", "feedback the examiner had: live, after, on-request, faded, alternate, bandwidth, summary or none";
    FEEDBACK_GIVEN = "feedback_given": Text, at "9.9",
        "what of the test was shown in fact: during (while the hand was on), after, summary (with those before it) or none; missing where nobody noted it";
    TOTAL_PEAK = "total_peak_n": Num, in "N", at "3.2",
        "highest force of all contacts together, which a ceiling is set for";
    DRIVE = "drive_deg": Num, in "deg", at "3.13", "measured line of drive, mean over the springs";
    KNEE_METHOD = "knee_method": Text, at "4.9", "how the knee was found: whole_trace_fit or two_lines";
    FIT_RESIDUAL = "fit_residual_percent": Num, in "%", at "4.8",
        "residual of the whole-trace fit over the springs, as a share of their force range; missing without springs";
    FIT_LAW = "fit_law": Text, at "4.12",
        "law that weighs most where onset and fitted slopes are averaged over several; missing where the plain law was not in doubt";
    FIT_LAW_WEIGHT = "fit_law_weight": Num, at "4.12", "its weight, from 0 to 1";
    ONSET_BY_LAW = "onset_by_law": List("; "), at "4.12", "onset by each law that was averaged, with its weight";

    // Columns of `springs`.
    SPRING = "spring": Int, at "2.9", "number of the spring within its test, from 1";
    COUNTED = "counted": Bool, at "2.9",
        "whether it enters the means; the first of three or more is preconditioning";
    START_S = "start_s": Num, in "s", at "2.6", "time at which the loading limb leaves the preload";
    PEAK_S = "peak_s": Num, in "s", at "2.6", "time of the peak";
    END_S = "end_s": Num, in "s", at "2.6", "time at which the recoil limb comes back to rest";
    SPRING_PRELOAD = "preload_n": Num, in "N", at "2.7", "force just before this spring";
    SPRING_PEAK = "peak_n": Num, in "N", at "3.2", "highest force of this spring";
    START_MM = "start_mm": Num, in "mm", at "2.6", "displacement at the start";
    PEAK_MM = "peak_mm": Num, in "mm", at "2.6", "displacement at the peak";
    END_MM = "end_mm": Num, in "mm", at "2.6", "displacement at the end";
    SPRING_EXCURSION = "excursion_mm": Num, in "mm", at "3.3",
        "displacement of this spring from preload to peak";
    SPRING_END_FEEL = "end_feel_n_per_mm": Num, in "N/mm", at "3.4",
        "end-feel stiffness of this spring: slope of the loading limb beyond the onset, 20 to 80 % of the excursion";
    SPRING_SECANT = "secant_n_per_mm": Num, in "N/mm", at "3.6",
        "force gained over displacement gained in this spring, preload to peak";
    LOADING_WORK = "loading_work_mj": Num, in "mJ", at "3.8",
        "work done on the loading limb, the limb cut as for the loss";
    SPRING_LOSS = "loss_mj": Num, in "mJ", at "3.8",
        "energy of this spring that did not come back: area of its loop";
    SPRING_LOSS_RATIO = "loss_ratio": Num, at "3.8", "loss over loading work of this spring";
    SPRING_RECOIL = "recoil_ratio": Num, at "3.9",
        "share of the excursion recovered at the end of this spring";
    SPRING_TIME_TO_PEAK = "time_to_peak_s": Num, in "s", at "3.10", "time of the force rise from 10 to 90 %";
    LOADING_RATE = "loading_rate_n_per_s": Num, in "N/s", at "3.10",
        "0.8 of the force rise over the time to peak";
    DROPPED = "dropped": Text, at "2.9", "why the spring was dropped from every mean, if it was";
}
