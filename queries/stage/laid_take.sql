select
    analysed_take.transfer_id,
    analysed_take.take_id,
    written_fit.work_id,
    written_fit.edition,
    written_fit.shift_semitones + written_fit.tuning_cents / 100 as shift_semitones,
from stage.analysed_take
join base.written_fit
    on written_fit.transfer_id = analysed_take.transfer_id and written_fit.take_id = analysed_take.take_id
join stage.reference_part using (work_id, edition)
where written_fit.state = 'placed' and analysed_take.state = 'judged'
