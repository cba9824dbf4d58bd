//! Why the planner stops, and what it says when it does.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use halfsplit::plan::*;

fn two_faults() -> Draft {
    Draft {
        faults: vec![Fault::default(); 2],
        hypotheses: vec![Hypothesis::of(&[0], 0.5), Hypothesis::of(&[1], 0.4)],
        fallback: Lump { minutes: 200.0, money: 0 },
        comeback: Lump { minutes: 600.0, money: 0 },
        ..Draft::default()
    }
}

fn next(draft: Draft) -> Decision {
    Plain::default().next(&Problem::new(draft).unwrap(), &State::default())
}

#[test]
fn a_working_unit_ends_the_session() {
    let problem = Problem::new(two_faults()).unwrap();
    let decision = Plain::default().next(&problem, &State { cured: true, ..State::default() });
    assert_eq!(decision.step, Step::Done(Stop::Cured));
    assert_eq!(decision.expected, Expected::default());
}

#[test]
fn nothing_wrong_is_said_once_no_check_tells_enough() {
    let mut draft = two_faults();
    draft.hypotheses = vec![Hypothesis::of(&[], 0.99), Hypothesis::of(&[0], 0.01)];
    draft.checks = vec![Check::perfect(Price::minutes(10.0), &[0, 1])];
    assert_eq!(next(draft.clone()).step, Step::Check(CheckIx(0)));
    draft.hypotheses = vec![Hypothesis::of(&[], 0.999), Hypothesis::of(&[0], 0.001)];
    assert_eq!(next(draft).step, Step::Done(Stop::NothingWrong));
}

#[test]
fn a_group_that_cannot_be_parted_names_the_tool_that_would() {
    let mut draft = two_faults();
    draft.checks = vec![Check::perfect(Price::minutes(2.0), &[0, 1])];
    draft.checks[0].standing = Standing::NeedsTool(ToolIx(4));
    let Step::Done(Stop::GroupCannotBeParted(group)) = next(draft).step else { panic!("not parted") };
    assert_eq!(group.members, [HypothesisIx(0), HypothesisIx(1)]);
    assert_eq!(group.would_part, [PartedBy { check: CheckIx(0), tool: ToolIx(4) }]);
}

#[test]
fn a_remedy_for_one_of_a_group_says_that_no_check_parts_it() {
    let mut draft = two_faults();
    draft.remedies = vec![Remedy::cures(&[0], Price::minutes(5.0)), Remedy::cures(&[1], Price::minutes(5.0))];
    let decision = next(draft);
    assert_eq!(decision.step, Step::Remedy(RemedyIx(0)));
    assert!(decision.reasons.iter().any(|r| matches!(r, Reason::NoCheckParts(g) if g.members.len() == 2)));
    assert!(matches!(decision.reasons[0], Reason::RemedyBeatsAsking { .. }));
    assert!((decision.probability_gained - 5.0 / 9.0).abs() < 1e-12);
}

#[test]
fn an_unlisted_fault_in_the_lead_is_said_to_lead() {
    let mut draft = two_faults();
    draft.faults[0].unlisted = true;
    assert_eq!(next(draft).step, Step::Done(Stop::UnlistedLeads));
}

#[test]
fn no_step_left_and_referring_on_are_told_apart() {
    let mut draft = two_faults();
    draft.hypotheses.truncate(1);
    assert_eq!(next(draft.clone()).step, Step::Done(Stop::NoStepLeft));
    // Not sure enough to be tried, too dear to be tried on the chance, and no check that tells enough.
    draft.hypotheses = vec![Hypothesis::of(&[0], 0.6), Hypothesis::of(&[], 0.4)];
    draft.checks = vec![Check::yes_or_no(Price::minutes(1.0), &[0.03, 0.0])];
    draft.remedies = vec![Remedy::cures(&[0], Price::minutes(500.0))];
    assert_eq!(next(draft).step, Step::Done(Stop::ReferOn));
}

#[test]
fn gates_come_first_and_say_so() {
    let mut draft = two_faults();
    let powered = Price { power: Power::On, ..Price::minutes(1.0) };
    let gate = Check {
        gate: true,
        price: Price { power: Power::Off, ..Price::minutes(0.5) },
        ..Check::yes_or_no(Price::default(), &[0.0, 0.0])
    };
    draft.checks = vec![Check::perfect(powered, &[0, 1]), gate];
    draft.remedies =
        vec![Remedy::cures(&[0], Price::minutes(50.0)), Remedy::cures(&[1], Price::minutes(50.0))];
    let decision = next(draft.clone());
    assert_eq!(decision.step, Step::Check(CheckIx(1)));
    assert_eq!(decision.reasons[0], Reason::SafetyGateFirst { open: 1 });
    assert!(decision.expected.minutes > 50.0, "{:?}", decision.expected);
    // A gate that can't be passed keeps the power off for good.
    draft.checks[1].standing = Standing::NeedsTool(ToolIx(0));
    assert!(matches!(next(draft).step, Step::Remedy(_)));
}

#[test]
fn a_rigged_tool_is_used_on() {
    let mut draft = two_faults();
    let with = |setup: usize| Price { setups: vec![SetupIx(setup)], ..Price::minutes(1.0) };
    draft.checks = vec![Check::perfect(with(0), &[0, 1]), Check::perfect(with(1), &[0, 1])];
    draft.setups = vec![3.0, 3.0];
    draft.remedies =
        vec![Remedy::cures(&[0], Price::minutes(50.0)), Remedy::cures(&[1], Price::minutes(50.0))];
    let problem = Problem::new(draft).unwrap();
    let rigged = State { setups: SetupSet::default().with(SetupIx(1)), ..State::default() };
    let decision = Plain::default().next(&problem, &rigged);
    assert_eq!(decision.step, Step::Check(CheckIx(1)));
    assert!(decision.reasons.contains(&Reason::SharesSetup { setup: SetupIx(1) }));
    assert_eq!(Plain::default().next(&problem, &State::default()).step, Step::Check(CheckIx(0)));
}

#[test]
fn money_and_minutes_count_as_the_tariff_says() {
    let mut draft = two_faults();
    draft.hypotheses.truncate(1);
    let dear = Price { money: 900, ..Price::minutes(5.0) };
    draft.remedies = vec![Remedy::cures(&[0], dear), Remedy::cures(&[0], Price::minutes(20.0))];
    draft.fallback = Lump { minutes: 600.0, money: 90_000 };
    for (count, rate, wanted) in
        [(Count::Minutes, 0.0, 0), (Count::Money, 0.0, 1), (Count::Both, 2400.0, 1), (Count::Both, 6000.0, 0)]
    {
        draft.tariff = Tariff { money_per_hour: rate, count };
        assert_eq!(next(draft.clone()).step, Step::Remedy(RemedyIx(wanted)), "{count:?} at {rate}");
    }
}

#[test]
fn slips_in_a_draft_are_named() {
    let mut draft = two_faults();
    draft.hypotheses[0].weight = 1.5;
    assert!(matches!(
        Problem::new(draft),
        Err(PlanError::OutOfRange { what: "weight of hypothesis", index: 0, .. })
    ));
    let mut draft = two_faults();
    draft.checks = vec![Check::perfect(Price::minutes(1.0), &[0, 1, 1])];
    assert_eq!(Problem::new(draft), Err(PlanError::Table { check: 0, found: 6, wanted: 4 }));
    let mut draft = two_faults();
    draft.remedies = vec![Remedy::cures(&[7], Price::minutes(1.0))];
    let slip = Problem::new(draft).unwrap_err();
    assert_eq!(slip.to_string(), "remedy 0 points at number 7, but there are only 2");
}

#[test]
fn the_half_split_by_hand_listens_in_the_middle() {
    let stages = 8;
    let faults = (0..stages).map(|s| Fault { unlisted: false, stage: Some(s), site: None }).collect();
    let level = |point: u32| Check {
        position: Some(point),
        ..Check::perfect(
            Price::minutes(1.0),
            &(0..stages).map(|s| usize::from(s < point)).collect::<Vec<_>>(),
        )
    };
    let draft = Draft {
        faults,
        hypotheses: (0..stages as usize).map(|s| Hypothesis::of(&[s], 0.125)).collect(),
        checks: (1..stages).map(level).collect(),
        remedies: (0..stages as usize).map(|s| Remedy::cures(&[s], Price::minutes(9.0))).collect(),
        ..Draft::default()
    };
    let problem = Problem::new(draft).unwrap();
    assert_eq!(HalfSplit.next(&problem, &State::default()).step, Step::Check(CheckIx(3)));
    let played = play_out(&HalfSplit, &problem, &State::default(), 0.0).unwrap();
    assert!((played.checks - 3.0).abs() < 1e-9 && (played.remedies - 1.0).abs() < 1e-9);
    assert!((played.mended - 1.0).abs() < 1e-9);
}
