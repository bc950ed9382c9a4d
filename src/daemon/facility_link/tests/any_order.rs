//! Whatever is done in cages and the office, and in whatever order it is sent: all come to the same.

use super::*;

/// What a cage has of the facility, as text: who there is, what they allow, what is in force, whose its sessions are and what
/// its reps are.
fn seen_by(cage: &Cage) -> Vec<String> {
    let reader = cage.reader();
    let mut seen = Vec::new();
    for hitter in reader.hitters().unwrap() {
        let name = hitter.name.clone().unwrap_or_default();
        let plan = reader.plan_in_force(Some(hitter.id)).unwrap();
        let refuses = Purpose::ALL.iter().filter(|purpose| {
            let consents = reader.consents(hitter.id).unwrap();
            consents.refuses(**purpose)
        });
        let mut refuses: Vec<&str> = refuses.map(|purpose| purpose.as_str()).collect();
        refuses.sort_unstable();
        let plan = plan.map(|plan| plan.name).unwrap_or_default();
        seen.push(format!(
            "{name}|{}|{plan}|{}",
            hitter.frozen,
            refuses.join(",")
        ));
    }
    seen.sort();
    seen
}

const SEEN_IN_STORE: &str = "SELECT h.name || '|' || (h.frozen_at IS NOT NULL) || '|' ||
       coalesce((SELECT p.name FROM plans p WHERE p.hitter = h.id ORDER BY p.turn DESC, p.uid DESC LIMIT 1), '') || '|' ||
       coalesce((SELECT string_agg(DISTINCT c.purpose, ',') FROM consents c WHERE c.hitter = h.id AND c.decision <> 'given'
                 AND NOT EXISTS (SELECT 1 FROM consents n WHERE n.hitter = h.id AND n.purpose = c.purpose AND n.turn > c.turn)), '')
    FROM hitters h ORDER BY 1";

/// A cage's reps with what was corrected, whether they have landmarks, and whose they are.
fn reps_of(cage: &Cage) -> Vec<String> {
    let reader = cage.reader();
    let mut reps = Vec::new();
    let read = reader.for_each_rep(&RepFilter::default(), |rep| {
        reps.push(rep);
        Ok(())
    });
    read.unwrap();
    let mut texts: Vec<String> = reps
        .iter()
        .map(|rep| {
            let source = reader.sessions().unwrap();
            let source = source.iter().find(|row| row.id == rep.session).unwrap();
            format!(
                "{} {}|{}|{}|{}|{}",
                source.source,
                rep.judged.number,
                rep.hitter_name.as_deref().unwrap_or_default(),
                rep.marked,
                rep.excluded.as_deref().unwrap_or_default(),
                reader.timeline(rep.id).unwrap().is_some()
            )
        })
        .collect();
    texts.sort();
    texts
}

fn reps_in_store(store: &Store, cage: &str) -> Vec<String> {
    let mut reps = store.texts(&format!(
        "SELECT s.source || ' ' || r.number || '|' || coalesce(h.name, '') || '|' || (r.marked = 1) || '|' ||
                coalesce(r.struck_why, '') || '|' || EXISTS (SELECT 1 FROM timelines t WHERE t.rep = r.id)
         FROM reps r JOIN sessions s ON s.id = r.session JOIN journals j ON j.uid = s.journal
         LEFT JOIN hitters h ON h.id = s.hitter WHERE j.cage = '{cage}'"
    ));
    reps.sort();
    reps
}

/// Something that somebody does in a cage, or in the office.
fn happen(store: &Store, cage: &Cage, number: usize, dice: &mut fastrand::Rng) {
    let hitters = cage.reader().hitters().unwrap();
    let named: Vec<_> = hitters.iter().filter(|row| row.name.is_some()).collect();
    let Some(hitter) = dice.choice(&named) else {
        cage.hit(&format!("new {number}"), 1);
        return;
    };
    let name = hitter.name.clone().unwrap();
    let rep = cage.reader().last_rep().unwrap();
    match dice.u32(0..13) {
        0..3 if !hitter.frozen => drop(cage.hit(&name, dice.u32(1..4))),
        3 => drop(cage.hit(&format!("new {number}"), 1)),
        4 => cage.plan(&name, &format!("plan {number}")),
        5 => {
            let purpose = *dice.choice(Purpose::ALL).unwrap();
            cage.decide(&name, purpose, *dice.choice(Decision::ALL).unwrap());
        }
        6 => drop(cage.edit(Edit::RenameHitter {
            hitter: hitter.id,
            name: format!("renamed {number}"),
        })),
        7 => drop(cage.edit(Edit::FreezeHitter {
            hitter: hitter.id,
            frozen: dice.bool(),
        })),
        8 if hitters.len() > 2 => {
            let others: Vec<_> = named.iter().filter(|row| row.id != hitter.id).collect();
            if let Some(into) = dice.choice(&others) {
                cage.edit(Edit::MergeHitters {
                    from: hitter.id,
                    into: into.id,
                });
            }
        }
        9 if hitters.len() > 3 => cage.delete(&name),
        10 => {
            if let Some(rep) = rep {
                cage.edit(Edit::Exclude {
                    rep: rep.id,
                    why: dice.bool().then(|| format!("why {number}")),
                });
            }
        }
        11 => store.run(&format!(
            "UPDATE reps SET marked = 1 - marked WHERE id = (SELECT id FROM reps ORDER BY id OFFSET {} LIMIT 1)",
            dice.u32(0..6)
        )),
        _ => store.run(&format!(
            "UPDATE hitters SET name = 'by the office {number}' WHERE id = (SELECT id FROM hitters ORDER BY id OFFSET {} LIMIT 1)",
            dice.u32(0..3)
        )),
    }
}

#[test]
fn whatever_is_done_and_sent_in_whatever_order_all_come_to_the_same() {
    for seed in 0..12 {
        let mut dice = fastrand::Rng::with_seed(seed);
        let store = Store::new();
        let cages = ["cage1", "cage2", "cage3"].map(|login| Cage::new(&store, login));
        for (place, cage) in cages.iter().enumerate() {
            // Sessions are told apart by their source.
            cage.reps.store(1000 * place as u32, Ordering::Relaxed);
        }
        for number in 0..60 {
            let cage = dice.choice(&cages).unwrap();
            match dice.u32(0..4) {
                0 => cage.exchange(),
                // Cut off after it has heard, and after it has sent something of it.
                1 => {
                    let mut exchange = cage.carrier.begin().unwrap();
                    cage.carrier
                        .pull(&mut exchange.store, &exchange.ends)
                        .unwrap();
                }
                _ => happen(&store, cage, number, &mut dice),
            }
        }
        for _ in 0..3 {
            cages.iter().for_each(Cage::exchange);
        }
        let changes = store.count("changes");
        cages.iter().for_each(Cage::exchange);
        assert_eq!(store.count("changes"), changes, "seed {seed}: no end of it");
        let mut in_store = store.texts(SEEN_IN_STORE);
        in_store.sort();
        for cage in &cages {
            assert_eq!(seen_by(cage), in_store, "seed {seed}");
            let name = &cage.carrier.settings.cage;
            assert_eq!(reps_of(cage), reps_in_store(&store, name), "seed {seed}");
        }
    }
}
