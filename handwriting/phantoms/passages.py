"""Texts for drawn pages: plain English, 60 to 140 words each, about places that do not exist."""

PASSAGES: tuple[str, ...] = (
    "The ferry to Marrow Island leaves at half past seven each morning. It carries milk, bread, post and a few "
    "sleepy people in thick coats. On windy days the boat rocks and the windows go white with salt. Nobody talks "
    "much until the kettle boils. Then the warm smell of toast fills the cabin and someone always starts to sing. "
    "By the time the grey rocks of the island come into view, every cup is empty and the sun is out on the water. "
    "The bell rings twice, the ropes are thrown, and the quay is busy for ten minutes. After that it is quiet "
    "again.",
    "Our school stands at the edge of Tallow Wood. In autumn the leaves blow right up to the doors and we sweep "
    "them into great brown heaps. Last week we found a hedgehog asleep in one of them. We put the leaves back with "
    "care and made a small fence of sticks. Now there is a sign that says quiet please. Each day at break we look "
    "to see if the heap has moved. So far it has only snored.",
    "To make a good kite you need paper, two thin sticks, glue and a long tail. Cross the sticks and tie them "
    "tightly in the middle. Fold the paper over a loop of string and leave it to dry. Tie five bows to the tail so "
    "that it will not spin. Then take it to Lorrel Hill when the wind is from the west. Hold it high, run ten "
    "steps, and let it go. If it dives, make the tail longer. If it will not climb, make it shorter. A quiet pull "
    "brings it home.",
    "There was once a clock in the town of Quenby that ran backwards. People came from far away to see it. They "
    "said that if you stood under it at noon you could hear what you would say tomorrow. The baker did not believe "
    "a word of it. He set his own clock by the smell of the loaves, and he was never late. One winter the clock "
    "stopped in the frost. Everyone was sorry, but no one could agree when it had happened.",
    "The river Esker is slow and brown until it meets the mill. There it drops over a wall of stone and wakes up. "
    "Boys and girls fish from the bridge with lines of blue wool. They have never caught a fish, but they have "
    "caught a boot, a basket, a very old key and half a map. The key fits no door in the village. The map shows a "
    "lake that is not there. Still, on Sunday afternoons, someone will lay the map on the wall, put the key on top "
    "of it, and point to the hills.",
    "Bees are up before us. When the first light falls on the hive they walk to the edge and test the air. If it is "
    "cold they go back in. If it is warm they fly to the lime trees by the old station and come home yellow with "
    "dust. A bee tells the others where to go by dancing. The dance shows how far it is and which way to turn. It "
    "takes a great many flights to fill one jar, so we should eat honey slowly and say thank you to the trees as "
    "well.",
    "On the top shelf of the library in Fenwick Moss there is a book with no name. It is bound in green cloth and "
    "it has a lock but no key. The librarian dusts it every Friday. She says it was there before the roof. Some "
    "visitors think it is a book of maps, and others think that it is quite empty. I think it is waiting. When I am "
    "tall enough I shall ask if I may hold it to my ear and listen.",
    "Rain had been falling on Pellam for six days. The ducks were pleased and the cats were not. On the seventh day "
    "a thin line of gold showed under the clouds, and all the doors in the street opened at once. Children jumped "
    "over the puddles and then into them. Wet sheets were hung out like sails. An old bicycle was found in the "
    "hedge where the flood had left it, with a snail on the saddle. By evening the road was dry, and somebody had "
    "painted a blue mark on the wall to show how high the water came.",
    "The mountain train has only two coaches and one driver. It climbs from Varnsdale to the snow line in an hour. "
    "There are eleven tunnels, and in each of them the passengers hold their breath for luck. Goats watch from the "
    "banks with yellow eyes. At the last stop you can buy hot soup and look down on the clouds. It is so quiet that "
    "you can hear your own watch. The train waits for everyone, because there is not another until the morning.",
    "Jars of every size stood in the window of the shop at Old Quay. There were jars of buttons, jars of shells, "
    "jars of pink and white sweets, and one jar with a label that said do not shake. Each afternoon we pressed our "
    "noses to the glass and guessed. It might be a storm, or a fizzing drink, or just a joke. One day the jar was "
    "gone. In its place was a card with neat black letters. It said: thank you for not asking, it was only sleepy "
    "moths.",
    "We grew beans in the yard this year. First we soaked the seeds in a saucer until they were fat. Then we pushed "
    "each one into a pot with a thumb, as deep as the nail. After nine days a green hook came up, and then two "
    "leaves like hands. We gave them canes to climb and they went round and round, always the same way. By August "
    "they had reached the window on the first floor. We picked four baskets, and kept the ten best seeds in an "
    "envelope for next spring.",
    "A whale came into the bay at Sallow Point. It was longer than three buses and it moved as gently as a cloud. "
    "The fishing boats turned off their engines so as not to frighten it. For an hour it swam in a wide circle, and "
    "each time it breathed a plume of mist hung in the air. Then it lifted its tail, just once, and went back to "
    "the deep. Nobody took a good picture. We drew it instead, from memory, and every drawing was different and "
    "every one was right.",
)
