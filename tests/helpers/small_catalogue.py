"""A small made-up catalogue in which nothing is wrong."""

CATALOGUE = {
    "player": "player_id,name,born,died\nanna-vint,Anna Vint,1870,1941~\nbela-ort,Bela Ort,1895,\n",
    "teaching": "teacher_id,student_id,span,certainty\nanna-vint,bela-ort,1908/1912,probable\n",
    "school": "school_id,scheme,name\nnorth,towns,Northern school\nsouth,towns,Southern school\n",
    "school_membership": "player_id,school_id,share,basis\nanna-vint,north,0.5,study\nanna-vint,south,0.5,study\n",
    "work": "work_id,title,composer,key\nair,Air,Nemo,D major\n",
    "session": "session_id,recorded,place\nspring-3,1903-05-01,Arl\n",
    "take": (
        "take_id,work_id,session_id,matrix_number,take_number,accompaniment\n"
        "k1,air,spring-3,0123,2,piano\nk2,air,spring-3,0124,1,none\n"
    ),
    "reference_pitch": "take_id,reference_pitch_hz,basis\nk1,435,a tuning fork\nk2,435,a tuning fork\n",
    "side": "side_id,label,issue_number,face\ns1,Nonesuch,77,A\ns2,Nonesuch,77,B\n",
    "side_take": "side_id,take_id\ns1,k1\ns2,k2\n",
    "performance": (
        "take_id,player_id,instrument,role,certainty\nk1,anna-vint,violin,soloist,certain\n"
        "k2,anna-vint,violin,soloist,probable\n"
    ),
    "transfer": "transfer_id,side_id,file,turntable_rpm\nt1,s1,one.wav,78.26\nt2,s2,two.wav,78.26\n",
    "period": "period_id,scheme,name,span\nearly,halves,Early,1900/1919\nlate,halves,Late,1920/1939\n",
    "source": "source_id,citation\nbook,A made-up discography\n",
}
