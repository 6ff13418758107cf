//! The reader before rendered dials: what it promises, in a few scenes each. The campaign has many.

use dial_pictures::{Category, Disturbance, Layout, Scene, Shot, Stage, Trouble};
use needle::reader::{
    Corrections, DialSetup, Geometry, Picture, Reader, Refusal, SetupError, TRUSTED, annotate, turn,
};
use needlerig_tests::campaign::pictured::{Reading, Sight, picture, pictured};

const SIZE: (usize, usize) = (1280, 720);

fn shoot(stage: &mut Stage, shot: &Shot) -> Picture {
    picture(&stage.frame(shot).expect("a frame")).expect("a picture")
}

fn set_up_pictures(stage: &mut Stage) -> Vec<Picture> {
    let places = [0.0, 0.22, 0.45, 0.68, 0.9];
    let shots = places
        .iter()
        .zip(1..)
        .map(|(place, seed)| Shot::plain(*place, seed));
    shots.map(|shot| shoot(stage, &shot)).collect()
}

fn confirmed(pictures: &[Picture]) -> DialSetup {
    let confirm = Corrections {
        confirm: true,
        ..Corrections::default()
    };
    let setup = DialSetup::propose(pictures).expect("a proposal");
    setup.corrected(&confirm).expect("nothing to correct")
}

/// A dial set up, and its reader.
fn ready(
    category: Category,
    layout: Layout,
    seed: u64,
) -> (Stage, Vec<Picture>, DialSetup, Reader) {
    let mut stage = Stage::new(Scene::random_of(category, layout, seed, SIZE));
    let pictures = set_up_pictures(&mut stage);
    let setup = confirmed(&pictures);
    let reader = Reader::new(&setup, &pictures).expect("a reader");
    (stage, pictures, setup, reader)
}

#[test]
fn an_undisturbed_needle_is_read_within_its_uncertainty() {
    for (category, layout) in [
        (Category::Good, Layout::Arc),
        (Category::Typical, Layout::Long),
    ] {
        let (mut stage, _, _, reader) = ready(category, layout, 11);
        for (place, seed) in [(0.0, 50), (0.37, 51), (0.81, 52), (1.0, 53)] {
            let shot = stage.scene().later(place, seed);
            let seen = reader.read(&shoot(&mut stage, &shot)).expect("a sighting");
            let error = (seen.deflection - place).abs();
            assert!(error < 0.0015, "{layout:?} at {place}: {seen:?}");
            assert!(
                error < 3.0 * seen.u_total(),
                "{layout:?} at {place}: {seen:?}"
            );
            assert!(
                seen.confidence >= TRUSTED,
                "{layout:?} at {place}: {seen:?}"
            );
        }
    }
}

/// The marks of this corner dial, seen through a long lens, fit nearly as well in a view that is tilted
/// more through a wider one, with the scale's centre two and a half pixels away. Taken for the right
/// one, it reads a fifth of a per cent wrong at either end of the scale.
#[test]
fn the_right_one_of_two_views_is_found() {
    let sights = undisturbed(4_999_175_917_003_785);
    // The other view leaves it uncertain, the more the farther up the scale.
    assert!(sights.iter().all(|s| s.error.abs() < 5e-4), "{sights:?}");
}

/// Small, blurred and aslant: whoever measures its marks along the dial's own circles finds all of them
/// turned, and reads seven tenths of a per cent wrong.
#[test]
fn blur_does_not_turn_the_marks_of_a_dial_seen_aslant() {
    assert_read_within(4_011_906_726_219_383, 2e-3);
}

/// The line of this scale ends at the outermost marks. Where their ends count like those of the others,
/// which the line passes to either side, the view is tilted, and either end reads a tenth of a per cent
/// towards the middle.
#[test]
fn the_end_of_the_scales_line_does_not_tilt_the_view() {
    assert_read_within(520_332_866_949_769, 8e-4);
}

/// Noise scatters the marks of this straight scale by a third of a pixel; there are enough of them.
#[test]
fn marks_that_scatter_along_a_straight_scale_are_good_enough() {
    assert_read_within(5_271_682_407_188_997, 1e-3);
}

/// Two fifths of this scale lie in glare: its zero mark is far outside of those that were found, and a
/// person points at it.
#[test]
fn a_mark_far_beyond_those_found_can_be_pointed_at() {
    let sights = undisturbed(1_634_294_049_521_319);
    // Far from the marks that were found the uncertainty grows.
    let right = |sight: &Sight| sight.error.abs() < 1e-3 && sight.u() > 5e-4;
    assert!(sights.iter().all(right), "{sights:?}");
}

/// The camera is knocked by more than landmarks are looked for, and four of these show something else
/// and agree on it.
#[test]
fn four_strangers_that_agree_are_not_taken_for_landmarks() {
    assert_knocks_are_followed_rightly_or_refused(2_945_172_746_595_301);
}

/// After a knock the scale looks nearly as before when turned by one division: nine of fourteen
/// landmarks, all those at marks, agree on that.
#[test]
fn marks_that_look_like_their_neighbours_do_not_turn_the_dial() {
    assert_knocks_are_followed_rightly_or_refused(2_678_528_573_667_374);
}

fn assert_knocks_are_followed_rightly_or_refused(seed: u64) {
    let readings = pictured(seed).unwrap().readings;
    let knocked = |reading: &&Reading| reading.trouble == Some(Trouble::Knocked);
    let wrong = |sight: &Sight| sight.confidence >= TRUSTED && sight.error.abs() > 1e-3;
    let knocked: Vec<&Reading> = readings.iter().filter(knocked).collect();
    assert!(!knocked.is_empty());
    for reading in knocked {
        assert!(!reading.seen.as_ref().is_ok_and(wrong), "{reading:?}");
    }
}

/// The outer part of this needle is too pale to be followed, and its tail looks like the rest: read from
/// that it stands half a turn away.
#[test]
fn a_needle_that_cannot_be_told_from_its_tail_is_not_trusted() {
    let done = pictured(3_628_135_168_738_545).unwrap();
    let trusts = |reading: &Reading| {
        let seen = reading.seen.as_ref();
        seen.is_ok_and(|sight| sight.confidence >= TRUSTED)
    };
    assert!(!done.readings.iter().any(trusts), "{:?}", done.readings);
    let told = (done.reservations.iter()).any(|why| why.contains("of its length only"));
    assert!(told, "{:?}", done.reservations);
}

/// A row of numerals has more strokes than this scale has marks, at even distances.
#[test]
fn a_row_of_numerals_gives_way_to_the_marks() {
    assert_set_up_without_help(5_016_548_805_920_751);
}

/// The gaps between the marks, up against the light line of the scale, look like a scale of their own.
#[test]
fn gaps_beside_the_line_of_the_scale_and_in_glare_are_no_marks() {
    assert_set_up_without_help(8_935_734_452_222_084);
}

/// Glare beyond more than half of the marks makes their gaps look like print; but gaps are all alike.
#[test]
fn gaps_below_much_glare_are_no_marks() {
    assert_set_up_without_help(6_293_917_487_675_499);
}

/// Glare hides half of the needle and bends the edge of the rest by half a per cent of full scale.
#[test]
fn half_a_needle_is_not_trusted() {
    let done = pictured(210_412_173_641_249).unwrap();
    let wrong = |reading: &Reading| {
        let seen = reading.seen.as_ref();
        seen.is_ok_and(|sight| sight.confidence >= TRUSTED && sight.error.abs() > 3e-3)
    };
    assert!(!done.readings.iter().any(wrong), "{:?}", done.readings);
}

/// Seen from below, the lines of the sliding needle lean towards each other, and the scale does not
/// cross them at right angles.
#[test]
fn a_straight_scale_seen_aslant_is_found_and_read() {
    assert_set_up_without_help(7_272_720_346_399_458);
}

/// Zero and full scale are right as proposed, and every undisturbed reading of the campaign's scene
/// is off by less than 0.15 % of full scale.
fn assert_set_up_without_help(seed: u64) {
    let done = pictured(seed).unwrap();
    assert!(done.long.right, "{:?}", done.long);
    assert_read_within(seed, 1.5e-3);
}

/// Every undisturbed reading of the campaign's scene counts, and is off by less than `limit` of full
/// scale.
fn assert_read_within(seed: u64, limit: f64) {
    let sights = undisturbed(seed);
    let right = |sight: &Sight| sight.confidence >= TRUSTED && sight.error.abs() < limit;
    assert!(sights.iter().all(right), "{sights:?}");
}

fn undisturbed(seed: u64) -> Vec<Sight> {
    let readings = pictured(seed).unwrap().readings.into_iter();
    let plain = readings.filter(|reading| reading.trouble.is_none());
    let sights: Vec<Sight> = plain.map(|reading| reading.seen.unwrap()).collect();
    assert_eq!(sights.len(), 4);
    sights
}

/// Below the main scale of this dial there is an uneven one with more marks, which fits no view.
#[test]
fn an_uneven_scale_gives_way_to_the_main_one() {
    assert_set_up_without_help(2_363_888_779_116_348);
}

/// A view that leaves an end of the scale uncertain is told at the set-up, not in the middle of a run.
#[test]
fn a_view_known_too_poorly_is_not_trusted() {
    let (_, pictures, mut setup, reader) = ready(Category::Good, Layout::Arc, 15);
    assert_eq!(reader.reservations(), [""; 0]);
    let Geometry::Radial(radial) = &mut setup.geometry else {
        panic!("{:?}", setup.geometry);
    };
    radial.covariance.iter_mut().for_each(|term| *term *= 1e4);
    let reader = Reader::new(&setup, &pictures).expect("a reader");
    let reservations = reader.reservations();
    assert!(
        reservations
            .iter()
            .any(|why| why.contains("of the scale uncertain")),
        "{reservations:?}"
    );
}

/// Where no scale fits, whoever confirms one all the same gets no sighting that counts.
#[test]
fn a_scale_that_fits_no_view_is_not_trusted() {
    let (mut stage, pictures, mut setup, _) = ready(Category::Good, Layout::Arc, 15);
    let Geometry::Radial(radial) = &mut setup.geometry else {
        panic!("{:?}", setup.geometry);
    };
    radial.misfit = 3.5;
    let reader = Reader::new(&setup, &pictures).expect("a reader");
    let reservations = reader.reservations();
    let uneven = reservations
        .iter()
        .any(|why| why.contains("evenly divided"));
    assert!(uneven, "{reservations:?}");
    let shot = stage.scene().later(0.5, 2);
    let seen = reader.read(&shoot(&mut stage, &shot)).expect("a sighting");
    assert!(seen.confidence < TRUSTED, "{seen:?}");
}

/// Seven marks, some of them bent by glare: that they contradict each other is a doubt about the proposal.
#[test]
fn marks_that_contradict_each_other_are_a_doubt() {
    let done = pictured(244_666_586_798_629).unwrap();
    let long = done.long;
    let uneven = (long.doubts.iter()).any(|doubt| doubt.contains("no evenly divided scale"));
    assert!(uneven && !long.sure, "{long:?}");
}

#[test]
fn what_is_no_needle_is_refused() {
    let (mut stage, _, _, reader) = ready(Category::Good, Layout::Arc, 12);
    let mut shot = Shot::plain(0.5, 60);
    shot.disturbances.push(Disturbance::NoNeedle);
    let empty = shoot(&mut stage, &shot);
    assert!(
        matches!(reader.read(&empty), Err(Refusal::NoNeedle(_))),
        "{:?}",
        reader.read(&empty)
    );
    for grey in [0, 128, 255] {
        let plain = Picture::rgb(SIZE.0, SIZE.1, vec![grey; 3 * SIZE.0 * SIZE.1]).unwrap();
        assert!(reader.read(&plain).is_err(), "grey {grey}");
    }
    let small = Picture::rgb(640, 480, vec![128; 3 * 640 * 480]).unwrap();
    assert_eq!(reader.read(&small), Err(Refusal::OtherPicture));
}

#[test]
fn a_small_move_of_the_camera_is_corrected_and_a_large_one_refused() {
    let (mut stage, _, _, reader) = ready(Category::Good, Layout::Arc, 13);
    let mut knocked = |by: [f64; 2], roll: f64| {
        let mut shot = Shot::plain(0.6, 70);
        shot.disturbances.push(Disturbance::Knocked {
            by,
            roll,
            slide: 0.5,
        });
        reader.read(&shoot(&mut stage, &shot))
    };
    let seen = knocked([4.0, -3.0], 0.002).expect("a sighting");
    assert!((seen.deflection - 0.6).abs() < 0.0015, "{seen:?}");
    assert!((4.0..8.0).contains(&seen.moved), "{seen:?}");
    assert!(knocked([80.0, 30.0], 0.0).is_err());
}

#[test]
fn a_set_up_survives_being_kept_and_a_wrong_mark_being_corrected() {
    let (mut stage, pictures, setup, _) = ready(Category::Good, Layout::Arc, 14);
    assert!(setup.sure(), "{:?}", setup.doubts);
    let text = serde_json::to_string(&setup).expect("text");
    let kept: DialSetup = serde_json::from_str(&text).expect("a set-up");
    let reader = Reader::new(&kept, &pictures).expect("a reader");
    let truth = stage.scene().truth();
    let half = truth.marks[truth.marks.len() / 2];
    // Half of the scale taken for the whole of it reads double.
    let clicked = [half.near[0] + 1.0, half.near[1] - 1.5];
    let halved = kept
        .corrected(&Corrections {
            full_scale: Some(clicked),
            ..Corrections::default()
        })
        .expect("a mark is near");
    let halved = Reader::new(&halved, &pictures).expect("a reader");
    let seen = shoot(&mut stage, &Shot::plain(0.3, 80));
    let whole = reader.read(&seen).expect("a sighting").deflection;
    let doubled = halved.read(&seen).expect("a sighting").deflection;
    assert!(
        (doubled - whole / half.fraction).abs() < 1e-3,
        "{whole} {doubled}"
    );
    let next = truth.marks[truth.marks.len() / 2 + 1];
    let between = [0, 1].map(|axis| (half.near[axis] + next.near[axis]) / 2.0);
    for (place, why) in [
        ([5.0, 5.0], "from the scale"),
        (between, "between two marks"),
    ] {
        let wrong = Corrections {
            zero: Some(place),
            ..Corrections::default()
        };
        let answer = setup.clone().corrected(&wrong);
        let said = matches!(&answer, Err(SetupError::Correction(text)) if text.contains(why));
        assert!(said, "{answer:?}");
    }
}

#[test]
fn nothing_unconfirmed_is_trusted() {
    let mut stage = Stage::new(Scene::random_of(Category::Good, Layout::Arc, 14, SIZE));
    let pictures = set_up_pictures(&mut stage);
    let setup = DialSetup::propose(&pictures).expect("a proposal");
    let reader = Reader::new(&setup, &pictures).expect("a reader");
    let seen = reader.read(&pictures[2]).expect("a sighting");
    assert!(seen.confidence < TRUSTED, "{seen:?}");
}

#[test]
fn a_straight_scale_is_trusted_only_after_an_eye_check() {
    let mut stage = Stage::new(Scene::random_of(Category::Good, Layout::Edgewise, 5, SIZE));
    let pictures = set_up_pictures(&mut stage);
    let setup = confirmed(&pictures);
    let reader = Reader::new(&setup, &pictures).expect("a reader");
    let read = |stage: &mut Stage, reader: &Reader, place: f64| {
        reader
            .read(&shoot(stage, &Shot::plain(place, 90)))
            .expect("a sighting")
    };
    let ends = [0.01, 0.99].map(|place| (read(&mut stage, &reader, place).deflection, place));
    assert!(read(&mut stage, &reader, 0.5).confidence < TRUSTED);
    let checked = setup.eye_checked(ends).expect("an eye check");
    let reader = Reader::new(&checked, &pictures).expect("a reader");
    let seen = read(&mut stage, &reader, 0.63);
    assert!((seen.deflection - 0.63).abs() < 0.0018, "{seen:?}");
    assert!(seen.confidence >= TRUSTED, "{seen:?}");
}

#[test]
fn noise_and_a_needle_that_stands_still_make_no_set_up() {
    let noise = |seed: u32| {
        let mut state = seed;
        let samples = (0..3 * 640 * 480).map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 24) as u8
        });
        Picture::rgb(640, 480, samples.collect()).unwrap()
    };
    assert!(DialSetup::propose(&[noise(1), noise(2), noise(3)]).is_err());
    assert_eq!(DialSetup::propose(&[]), Err(SetupError::Pictures(0)));
    let mut stage = Stage::new(Scene::random_of(Category::Good, Layout::Arc, 14, SIZE));
    let still = [1, 2, 3].map(|seed| shoot(&mut stage, &Shot::plain(0.2, seed)));
    assert!(DialSetup::propose(&still).is_err());
}

#[test]
fn before_any_set_up_the_angle_from_rest_is_seen() {
    let mut stage = Stage::new(Scene::random_of(Category::Good, Layout::Arc, 15, SIZE));
    let arc = stage.scene().truth().arc.expect("a scale about a pivot");
    let rest = shoot(&mut stage, &Shot::plain(0.0, 1));
    let same = turn(&rest, &shoot(&mut stage, &Shot::plain(0.0, 2))).expect("a sighting");
    assert!(!same.moved, "{same:?}");
    for place in [0.15, 0.3] {
        let now = shoot(&mut stage, &Shot::plain(place, 3));
        let seen = turn(&rest, &now).expect("a sighting");
        assert!(
            seen.moved && (seen.angle - place * arc).abs() < 3.0 * seen.u,
            "{place}: {seen:?}"
        );
    }
    let covered = Picture::rgb(SIZE.0, SIZE.1, vec![3; 3 * SIZE.0 * SIZE.1]).unwrap();
    assert!(turn(&rest, &covered).is_err());
}

#[test]
fn the_proposal_is_drawn_where_the_marks_are() {
    let (stage, pictures, setup, _) = ready(Category::Good, Layout::Arc, 14);
    let drawn = annotate(&setup, &pictures[0]);
    let [x, y] = stage.scene().truth().zero;
    let changed = |from: &Picture, x: f64, y: f64| {
        let at = 3 * (y as usize * SIZE.0 + x as usize);
        from.samples()[at..at + 3] != pictures[0].samples()[at..at + 3]
    };
    let around = (0..60).filter(|k| {
        let (s, c) = (f64::from(*k) / 60.0 * std::f64::consts::TAU).sin_cos();
        changed(&drawn, x + 15.5 * c, y + 15.5 * s)
    });
    assert!(around.count() > 20);
    assert!(!changed(&drawn, 3.0, 3.0));
}
